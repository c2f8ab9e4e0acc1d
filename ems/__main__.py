"""``python -m ems``: the command."""

from ems.cli.main import program

if __name__ == "__main__":
    program()
