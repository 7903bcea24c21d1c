"""``python -m toothcheck``: the same as the ``toothcheck`` command."""

import sys

_INTERRUPTED = 128 + 2
"""What a shell says of a command that SIGINT (2) ended."""


def main() -> None:
    """Run the command; Ctrl-C ends it without a word, also while it is still being loaded."""
    try:
        from toothcheck.cli import main as run

        run()
    except KeyboardInterrupt:  # before or after typer, which answers it so itself
        sys.exit(_INTERRUPTED)


if __name__ == "__main__":
    main()
