"""``python -m ems``: the command."""

from ems.cli.main import main

if __name__ == "__main__":
    main()
