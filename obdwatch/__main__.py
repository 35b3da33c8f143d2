"""`python -m obdwatch` is the same as the `obdwatch` command."""

from obdwatch.cli import main

if __name__ == "__main__":
    main()
