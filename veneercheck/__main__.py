"""`python -m veneercheck`: the command line."""

from veneercheck.cli import main

main()
