"""Run the command line as ``python -m bandkit``."""

from bandkit.cli import main

if __name__ == "__main__":
    main()
