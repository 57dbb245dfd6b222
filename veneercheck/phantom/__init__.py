"""Bodies with known answers, and the sample bridge as files: what the check is tried on.

Notes
-----
The sample bridge from implicit surfaces, meshed by libigl's marching cubes. The truth must be known
at every vertex. Choice: contour and cut are functions; vertices are put on them by Newton's steps.
Instead of: modelled meshes, whose offset is known only to their own faceting. The code lies in
`tests/phantom`; the package carries the two scans, packed. Cost: it takes seconds to make; 2.5 MB
in the wheel.
"""
