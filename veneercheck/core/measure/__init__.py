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
"""
