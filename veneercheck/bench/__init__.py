"""The bench page: the check in a browser on the laboratory's own computer."""

from veneercheck.bench.serve import Address, serve

__all__ = ["Address", "serve"]
