"""What a zone means and what is to be done about it: decision, amount, metal, structure.

How it judges
-------------
- A zone is connected surface with one finding; zones of one finding at most 0.5 mm apart are one;
  what is smaller than 0.25 mm² (the profile's `smallest_mm2`) is dropped, and so is what stays
  within 0.02 mm of its limit everywhere: no hand and no scan is finer. Beads that are covered too
  thinly are listed even where they are smaller, but undecided then.
- Too thin is judged by the ray or by the largest ball that touches the framework there and holds no
  contour, whichever is smaller, and on a crest of metal by the nearest contour that one of its
  facets faces; too thick by the nearest contour point that is seen through the gap, because a ray
  from a wall or ledge runs along the veneer. The layer that is told of a point is the latter less
  opaquer and beads, or the former where that falls short; over contour by how far the framework
  stands out. Whether the framework stands out there or the wax-up is dented, the program cannot
  tell: look before you cut.
- The reading of a zone, `extreme_mm`, is the worst mean over 0.25 mm²: a single point would only be
  the noisiest one.
- The finding is firm where that mean lies beyond the limit by more than 1.645 times its own
  standard uncertainty (the one-sided guard band of 95 %, after ISO 14253-1) and by what noise alone
  makes the worst of so many spots look worse, else undecided. A place that passes, but by less than
  the guard band, is listed as undecided too, and so is one of which less than half could be read,
  or at whose worst spot the two scans do not show the same: the wax-up's ends beside the finish
  line, or goes on to a model that the framework's does not show. So is what may be a connector
  that was left standing (a small top at the contour beside the finish line, or what is hardly cut
  where two named units meet), and a bump amid beads that the scan's rim cuts.
- The amount to take off or to add is told along the knife's own path (square to the framework), in
  steps of 0.05 mm, and so much that the limit is kept surely: the guard band is in it. It holds for
  the worst spot and runs out all round; `volume_mm3` is what that comes to. Checked again after
  such a change, the sample shows no finding, after a second round at the latest.
- Firm zones come first, among them those on functional cusps, then by depth short × area. What is
  nowhere as wide as 0.4 mm (the profile's `narrowest_mm`) is no zone.
- With less than 95 % of the veneered area measured, or an alignment that is not trusted, the
  verdict is at most undecided.

The budget of space
-------------------
Where the case file names a third scan, the die (`die` under `[scans]`, in the wax-up's frame), or
the insides of the retainers were scanned, the metal is measured down to it, and a place that is too
thin gets one of three answers: take off so much; so much at most, because the least layer would
leave metal below the profile's `[metal] least_mm` (in wax, what finishing will take is added); or
no room for metal and veneer, a question for the dentist or the contour, with what is short. Towards
the neighbouring teeth the advice is then stain or opaquer, not cutting. No advice takes the metal
below its limit; where neither was seen, nothing is said of it. Thin metal under a layer that is
right is told by itself, firm or undecided as a zone is, with its mean over 0.25 mm²; over the last
1.2 mm before a margin, where metal runs out, the least grows evenly from nothing, and only what is
surely thinner is told.

Stages of the work
------------------
The work may be checked at every stage (`--stage`, or `stage` in the case file): the cast framework
(finishing and blasting took about 0.1 mm everywhere; how much is measured on what was not cut, and
what lies that deep counts as uncut), the opaqued framework (nothing is taken off the space any
more), the dentine build-up (0.3 to 1.0 mm are left for what is layered last; where it ends at the
contour there is no room, undecided unless the case forbids metal stops, which look the same), and
the finished veneer (the framework's scan against the final one). Where a stage can only state what
is short, the number holds no reserve. What differs stands in the profile under `[stage.cast]` and
so on. Advice and cautions are those of the stage; what was built on the metal hides it, so on
opaquer and dentine nothing is said of its thickness, its connectors or its edges. In wax, a finish
line without a chamfer is a question, because the chamfer may be cut in metal; later it is a
finding. A cast that is scanned on its model is told as doubtful: model and metal then lie
differently than in the wax-up; scan it alone.

Notes
-----
Over contour does not say which surface is at fault. The framework may stand out, or the wax-up may
be dented. Choice: the program says how far they part, and README that either may be the cause.
Instead of: a paraboloid through the ring round the spot, and whoever leaves it; tried on twelve
generated bridges with a known fault, it was wrong in 72 of the 293 places where it spoke, and made
stricter on six of them, it spoke at 9 of 300 places on the other six and was wrong at one. Cost:
the technician looks.
"""
