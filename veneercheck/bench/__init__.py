"""The bench page: the check in a browser on the laboratory's own computer.

`veneercheck bench` (extra `[bench]`) opens a page of this computer in its browser. Drop the two
scans anywhere on it and press one button: the steps are told as they are done, then the bench list
stands beside the report. Case number, units on a drawn arch, surfaces, beads, stage, limits and
unit of the files may be given and have defaults. After trimming, drop the new scan of the framework
on the answer: the page says what is corrected, what is still there and what is new. Where the two
scans could not be laid on each other, or doubtfully, both are shown side by side: pick three pairs
of places, see at once where they lead, and check again. Where the program guessed wrongly, «Correct
what was guessed» shows the framework: pick the picture of the biting surface and of the cheek side,
name the units or rename them, touch each unit's tooth or turn their order round, tick the veneered
surfaces unit by unit, paint what is to be veneered, what was left uncut or what to leave out; all
of it lies in the case file that is saved with the check, so that the command line gives the same
answer. Own limits are changed on the page too, each change a new version. «Checks» lists what was
done, with report, bench sheet and everything to save, and with `--register` also what is on record.
There a check of the page is put on record with its scanner, and decided on. Where people are
enrolled, each signs in with initials and the pass phrase of the own key (`--keys`), and the
decision is signed with it; nobody else at the same page can decide in that name. A hand scanner
types the code of a printed report into «Record», which opens its check; with the extra `[photo]` a
photograph of the report does. «Repeatability» leads through scanning one unchanged body two to six
times and keeps the laboratory's own seating as a new version of its limits (`veneercheck
repeatability`). Works by keyboard alone, in English and German.

Every check runs in a process of its own, one a core, and lies in a folder of its own: closing the
browser does not stop it, and a new start finds what was finished. Nothing leaves the computer. The
page answers only to its own address and to a browser that was given its token; other computers are
let in only with `--host`, a password and TLS. Scans that were dropped and not checked are removed;
checks stay until you delete their folders.

Notes
-----
Scans come as the body of a request, not as a form. A form's parser keeps parts in memory or in
files of its own. Choice: one scan a request, size declared first, written to disk as it comes,
under a number of ours; the user's name for it is text in a file. Cost: none; one library less.

The bench page holds the report itself, not a second list of it. Verdict and list stood on the page
and again in the report within. Choice: within, the report leaves them out (`?inside=1`), the page
turns it by its address (`#place-2`) and is told by message which place was chosen. Instead of: one
script for both (the report is shut in without an origin); showing both. Cost: two lists that must
tell the same.
"""

from veneercheck.bench.serve import Address, serve

__all__ = ["Address", "serve"]
