"""``python -m toothcheck``: the same as the ``toothcheck`` command."""

from toothcheck.cli import main

if __name__ == "__main__":
    main()
