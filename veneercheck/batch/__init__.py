"""Many cases: from a list, a folder or a watched folder; in local processes or on a cluster."""

from veneercheck.batch.many import check_many
from veneercheck.batch.task import Asked
from veneercheck.batch.watching import watch

__all__ = ["Asked", "check_many", "watch"]
