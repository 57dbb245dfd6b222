"""The command line: it turns words into cases and their outcome into an exit code.

`veneercheck --help` names every command, `veneercheck COMMAND --help` every option of it, with an
example.

Exit codes
----------
- 0: no findings
- 1: at least one firm finding
- 2: wrong use of the command
- 3: a scan, a profile or a case file was refused; the message says what to do
- 4: undecided, or the alignment is doubtful or failed
- 5: a fault of the program itself; the message says where the details lie
- 130: stopped with Ctrl-C; nothing half-written is left

`batch` and `watch` end with the gravest code of their cases: 5, 3, 1, 4, 0 in this order; a `batch`
that is stopped says how many cases are finished, and goes on there when it is started again.
`veneercheck --version` says the version.

`VENEERCHECK_REGISTER` stands for `--register`; `VENEERCHECK_MEMORY_GB` says how much memory a check
may take.

Notes
-----
typer for the command line. Exit codes, help and types in one place. Choice: typer, its own
tracebacks and completion switched off. Instead of: argparse (more lines), click (no types). Cost:
start-up of some tens of milliseconds.

One thread for linear algebra. A long sum that is split over threads has other last digits on
another number of cores, and a record is repeated to the last one (two volumes differed with one
thread and with two). Choice: the command line asks for one before numpy is loaded; the page's and
other processes inherit it. A check took 8 s instead of 10. Instead of: sums of our own in many
places. Cost: who calls the package from Python and has loaded numpy before must set it himself;
another kind of processor may still give other last digits, which `records confirm` then names.
"""
