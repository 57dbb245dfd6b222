"""Many cases: from a list, a folder or a watched folder; in local processes or on a cluster.

`veneercheck batch cases.csv --out cases` checks a list, a case a row, with the columns `framework`,
`waxup`, `case` (a case file), `number`, `profile`, `unit`, `stage` and `aligned`, as far as they
are needed; in TOML, one `[[case]]` each. Paths are those from the list's folder. In place of a
list, a folder: its case files, and scans that are paired by name, `D-0001_framework.stl` with
`D-0001_waxup.stl`, or `framework.stl` with `waxup.stl` in a folder of the case. Every case gets a
folder of its own under `--out`, made aside and renamed. One that fails stops no other:
`summary.csv` and the end of the run name its cause. Started again after a stop or a kill, the same
command goes on where it was: a case is finished where a folder of the same scans (by SHA-256),
case, limits and version lies there. Whether a report is drawn is no part of that:
`veneercheck report` draws one later (before the case is on record).

`veneercheck batch archive --again --out again` checks an archive anew: every finished case folder
in it is repeated with this version, and with another profile where `--profile` names one, from the
scans it holds (or from where they lay, if they are still the same by SHA-256). The archive stays as
it is. `summary.csv` tells the verdict on record (`before`) and what differs (`change`); the end of
the run counts those that say the same to the last digit and names those with another verdict. A
scan that is gone, or is another, is told and not checked.

With `--cluster cluster.toml` Dask workers check instead, on this machine, on hosts over SSH or on
Kubernetes: the file says where, and how many at least and at most; they come as cases wait for
them, and go with the batch (`python -m pydoc veneercheck.batch.start`).

With `--scheduler tcp://host:8786` the workers of a cluster that runs already do. Every worker needs
the same version of veneercheck, and sees the scans and `--out` under the same paths; start them
with one thread each and a limit of memory (`dask worker --nthreads 1 --memory-limit 2GB`), and
leave Dask's nanny on: it starts a lost worker anew, and keeps numerical libraries to one thread, so
that last digits stay. Cases of a worker that is lost go to others, and a case that takes far longer
than usual is given to a second one. With `--register` on several machines, use PostgreSQL.

`veneercheck watch export --out cases` waits for a scanner's exports. A file counts as written once
its size and time stand still for five seconds (`--still`); an STL or GLB that is shorter than its
own header says is waited for twelve times as long. A copy of the same bytes is no second case; two
different frameworks of one number are told and not checked until one is taken away. A scan that is
replaced is checked anew. What lacks its other scan is told.
"""

from veneercheck.batch.many import check_many
from veneercheck.batch.task import Asked
from veneercheck.batch.watching import watch

__all__ = ["Asked", "check_many", "watch"]
