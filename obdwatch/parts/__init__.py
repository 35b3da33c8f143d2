"""The wear parts: what is known of each, and how likely each of a car's is to be worn."""
