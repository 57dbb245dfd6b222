"""Cases on record: a register whose entries are chained by hashes, and bundles for the file.

With the extra `[record]`, checks go on record: `veneercheck check --case case.toml --register
lab.sqlite --out cases --who AB`. The case folder under `cases` holds everything of one check, its
scans included; it is made aside and renamed, so that it is whole or not there. The same scans with
the same case, limits and version are the same check: nothing is done or filed twice, whatever
`--out` says later: the folder on record is the one that holds. A finished folder in which something
is missing is refused. The `records` commands take the register from `--register` too, or from
`VENEERCHECK_REGISTER`; without either they look for `register.sqlite`.

The register only grows. Every entry carries the hash of the one before it, and the SHA-256 of every
file. `veneercheck records confirm` finds what was altered, and names it: an entry, a row, a byte of
the register's file (SQLite), a file of a case folder, a scan; then it repeats the check and names
every field that comes out otherwise. It ends with exit code 1 where anything differs, and with the
last hash: note it elsewhere, for entries cut off at the very end show only by it, and by the case
folders they leave behind.

`veneercheck records decide D-0001 --what "cut again" --who AB --why "buccal 46"` adds a person's
decision. It says before and after which case, check and register it is of. In place of a case
number at least eight signs of a check's key serve, where no other key begins so. A decision that
was wrong is taken back by another one (`--what "taken back"`), never deleted.
`veneercheck records export D-0001 --out D-0001.zip` writes one ZIP with the case folder, the
entries, a manifest and W3C PROV; the same case gives the same bytes, and
`veneercheck records confirm D-0001.zip` accounts for each of them, and looks for its entries in the
register, where one is there: a bundle that was made up is whole, too.

`veneercheck records find --lot X-77 --decision accepted --confirm` tells beside each check whether
its files are unaltered, and whether it comes out the same when it is repeated now;
`--limits-state` and `--calibration` find what was checked by limits nobody had approved, or with a
scanner that was not calibrated. `records confirm --noted HASH` looks for a last hash noted earlier.
`veneercheck records import other.sqlite --who LP` takes the checks of another register, a backup or
a bundle over, with the decisions on them; each says where it came from, conflicts are named, and
nothing is overwritten.

`--form dicom` writes the printed report as Encapsulated PDF and each scan as Encapsulated STL in
millimetres, in one study; a scan that is no binary STL in millimetres is written anew as one, and
its title says so. `--form fhir` writes one FHIR Bundle that holds in R4 and in R5: a
DiagnosticReport with the printed report in it, and an Observation for each zone with its limit, to
a micrometre. Both bear the case number as the identifier, or the one given with `--patient-id`, and
leave the attributes of a person empty; the same record gives the same identifiers and the same
bytes. What was written by hand leaves as it is: a case number, names of scans, notes and reasons in
the printed report, and a scanner's own words in the header of an STL; what looks like a name is
warned of. `--without-names` takes all of these out, draws the printed report anew without them,
blanks the headers, and lists what it took; only then does a DICOM object say that identity was
removed. The DiagnosticReport is `preliminary` until the last decision that stands is `accepted`.

`veneercheck records list`, `find` and `show` tell of plans, too (`plan --register`), beneath the
checks; `--plans` gives them alone, also as JSON, CSV or Parquet. Plans are imported, held back and
disposed of as checks are.

`veneercheck records trends --out trends` writes `trends.html`, the same on paper (`trends.pdf`,
tagged, PDF/A and PDF/UA) and five tables (CSV); `veneercheck bench` has both behind «What the
checks teach» on its page of the record. By profile and stage: the share of first checks without
findings, with its 95 % interval; by tooth and surface, how often the first cut-back was surely too
thin; and charts over time of the noise of the scans and of the residual of the alignment. From 20
points on a chart has limits, mean ± 2.66 × mean moving range of those 20, and marks every later
point beyond them, the ninth in a row on one side of the centre, and where a moving mean has
drifted. By scanner: noise in its checks, repeatability and calibrations on record. By new revision
of limits: what changed in it, why, who approved it, and what share passed before and after. A first
check is told by the case number: the same number at the same stage is the same work. `--since`
starts anew after a change that was meant.

SQLite is meant for one machine; on a network drive, use PostgreSQL (9.5 or newer).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from veneercheck.record.canonical import canonical, sha256_of, sha256_of_file

if TYPE_CHECKING:
    from veneercheck.record.register import Entry, Register

__all__ = ["Entry", "Register", "canonical", "sha256_of", "sha256_of_file"]


def __getattr__(name: str) -> Any:
    """The register when it is asked for: hashes need no database."""
    if name in ("Entry", "Register"):
        from veneercheck.record import register

        return getattr(register, name)
    raise AttributeError(name)
