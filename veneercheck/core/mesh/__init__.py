"""A surface of triangles and what can be asked of it: kernels, rays, nearest points, sections."""
