"""Make `python -m logger.cli` run `mismatchd`."""

from logger.cli import main

if __name__ == "__main__":
    main()
