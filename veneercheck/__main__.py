"""`python -m veneercheck`: the command line, which can be stopped before it is even loaded."""

from __future__ import annotations

import sys


def main() -> None:
    """Load the command line and run it."""
    try:
        from veneercheck.cli.main import main as run

        run()
    except KeyboardInterrupt:
        from veneercheck.case.exits import Exit

        sys.stderr.write("veneercheck: stopped; nothing was done yet.\n")
        sys.exit(Exit.STOPPED)


if __name__ == "__main__":
    main()
