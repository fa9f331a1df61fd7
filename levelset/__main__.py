"""Run the command line as ``python -m levelset``."""

from levelset.cli import main

if __name__ == "__main__":
    main()
