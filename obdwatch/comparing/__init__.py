"""Was it fixed? The drives before a repair against those after it, on like conditions, with uncertainty."""
