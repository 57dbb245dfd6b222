"""The space from every point of the framework to the contour, and how surely it is known."""
