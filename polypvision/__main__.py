"""``python -m polypvision`` does what the command ``polypvision`` does."""

from polypvision.cli import main

if __name__ == "__main__":
    main()
