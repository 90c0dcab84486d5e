"""What the program `prewarp` and `python -m prewarp` begin with, before anything large is imported."""

from prewarp.watching import watch


def main() -> None:
    """Run a command line, watched over, and leave with its exit code."""
    watch(_command)


def _command() -> None:
    from prewarp.cli import main as command

    command()


if __name__ == "__main__":
    main()
