"""A surface of triangles and what can be asked of it: kernels, rays, nearest points, sections.

Notes
-----
numpy and kernels of our own on the fast path, scipy only where it is used. Importing
`scipy.spatial` takes longer than a whole ray cast of 200 000 points. Choice: components, distances
along edges, normals and walks are written in numpy. Instead of: `scipy.sparse.csgraph`. Cost: some
two hundred lines to keep; the tests hold them against scipy.
"""
