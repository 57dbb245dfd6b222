"""A surface of triangles and what can be asked of it: kernels, rays, nearest points, sections.

Notes
-----
Graphs, trees and distributions come from scipy, loaded where they are used. Importing them takes a
quarter of a second once a process, a check some seconds. Choice: components and ways along edges by
`scipy.sparse.csgraph`, nearest points of a line by `cKDTree`, the normal distribution by
`scipy.special`; the same to the last digit as the numpy kernels that stood here (the distribution:
within 7.5e-8). Cost: edges out of reach are put aside before a way is looked for, since a graph is
built anew each time. Walks over triangles and rotations stay our own: scipy's rotations differ in
the last digit, and that turned to 0.3 µm of a reading's uncertainty and 5 µm of an amount where
another triangle was met.
"""
