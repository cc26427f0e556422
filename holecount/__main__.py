"""``python -m holecount``."""

from holecount.cli import main

if __name__ == "__main__":
    main()
