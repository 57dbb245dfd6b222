"""The refusals: what is wrong with an input, where, and what to do next."""


class VeneerCheckError(Exception):
    """Wrong input, told in one sentence.

    Parameters
    ----------
    what : str
        What is wrong, in the user's words.
    where : str, optional
        The file, field or place it was found in.
    next_step : str, optional
        What the user can do about it.
    """

    def __init__(self, what: str, *, where: str = "", next_step: str = "") -> None:
        self.what = what
        self.where = where
        self.next_step = next_step
        place = f"{where}: " if where else ""
        advice = f" {next_step}" if next_step else ""
        super().__init__(f"{place}{what}{advice}")


class ScanError(VeneerCheckError):
    """A scan file cannot be read as a surface in millimetres."""


class MeshError(VeneerCheckError):
    """Arrays do not describe a surface that can be measured."""


class ProfileError(VeneerCheckError):
    """A profile of limits or a case file cannot be understood."""


class RecordError(VeneerCheckError):
    """A result or a record cannot be written, read or trusted."""
