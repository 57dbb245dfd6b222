"""The framework as what carries the veneer: connectors, support, edges, paste, sections."""

from veneercheck.core.judge.structure.survey import survey

__all__ = ["survey"]
