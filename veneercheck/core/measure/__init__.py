"""The space from every point of the framework to the contour, and how surely it is known.

How it measures
---------------
From every point of the framework a ray goes out along the surface normal until it meets the
contour: that length is the space. Where nothing lies outward, the ray looks inward: the framework
then stands outside the contour, and the space is negative. A framework coarser than 0.15 mm is
refined first, so that no thin spot hides between its points: none of its surface then lies farther
than 0.09 mm from a point that was asked. A ray that meets nothing, grazes the contour or runs
farther than 6 mm gives no number: it never counts as thick or as passed.

layer = space − opaquer − beads. The limits are of the layer.

How surely
----------
The uncertainty holds the noise of both scans (what a scan shows of it, and what its own smoothing
hides but the scatter of readings tells where nothing was cut), the fit, the tilt of the ray, the
size of the triangles, and what the laboratory states: the scanner's trueness, taking the work off
and seating it again, and the opaquer. The last three are estimates of ours until the laboratory has
measured its own.

What it does not see
--------------------
- Anything but the two surfaces: no antagonist, no shade, no margin fit, no porosity, no wax that
  springs back when it is taken off the model.
- Undercuts and the inside of retainers, unless they were scanned.
- Metal whose other side was not scanned, and connectors that were not seen from below.
- Spray, unless you add it to the allowance: it is part of the scanned surface.
- A wax-up that is itself wrong. The contour is taken as what you want.
- A bridge that was bent between the two scans cannot be unbent: the fit spreads the bend over the
  uncut surface. Beyond 30 µm it is told (`alignment.evidence.bow_mm`, `part_mm`) and the alignment
  is `doubtful`; a smaller one lies within the seating uncertainty of the profile.
- On a strongly curved edge the direction of a normal is uncertain, and so is the length of a ray
  along it. The distance to the nearest contour point (s in the chapter of `core.divide`) does not
  depend on it.

Notes
-----
Three readings a point. A ray from a tilted or rounded spot is longer than the composite is thick;
the nearest distance forgets direction. Choice: too thin is judged by the ray or the ball, whichever
is smaller; too thick by the nearest point. Told of a point is one number, `layer_mm`: the nearest
contour, or the ball where that falls short of the least layer, too; it is short of a limit exactly
where a finding is. Instead of: the ray for all. Cost: three columns beside it.

Beads are round caps over a base that goes on under all that rises. Laboratories strew beads as
small as 0.2 mm on a curved, freshly cut surface; many touch, some overlap or sit on an edge, and
scans scatter. Choice: what stands above a cone of slope 0.3 (on calmed points, rises taken against
directions averaged over a bead) is bridged by a thin plate; in the height over it summits are told
apart by their prominence, and a bead is a summit whose upper half is compact, round and as high as
most. The base is the thin plate that goes on from the beads' rims; the cover over a bead is the
least over its upper half. Instead of: taking what hangs together for one bead (a third to nine
tenths missed where they overlap), fitting spheres (a scan shows half of one in ten points),
filtering by curvature (noise), a membrane over the rim, which cuts off what is round, or the cover
over the highest vertex, which on a slope was up to 0.14 mm more than over the bead's side. Cost:
two plates are solved where beads are found; beads whose usual height is under 6.5 times what
half-calming leaves of the noise are given up, since a sharp edge with such noise shows bumps as
high. Known to fall short: beads of 0.2 mm on scans that scatter by 0.02 mm, one in ten to one in
five missed (touching ones slightly more than before), and overlapping beads on such scans, one in
six to one in two missed; `tests/benchmarks/bead_trials.md` holds the figures.
"""
