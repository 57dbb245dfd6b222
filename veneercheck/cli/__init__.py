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
"""
