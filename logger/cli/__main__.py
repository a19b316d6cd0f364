"""`python -m logger.cli` is the command `mismatchd`."""

from logger.cli import main

if __name__ == "__main__":
    main()
