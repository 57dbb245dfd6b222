"""One file that starts a cluster: on this machine, on hosts over SSH, or on Kubernetes.

A file for this machine; `where` may be left out, and so may all that has a value here:

>>> here = '''
... where = "here"      # or "ssh", or "kubernetes"
... least = 1           # workers that stay although there is little to do
... most = 8            # workers at most: in between, as many as there are cases for
... memory_mb = 2000    # of a worker; a check of two intra-oral scans takes about 500
... wait_s = 300        # for the first worker; then the start is given up
... '''

For hosts over SSH (extra `[ssh]`), the first of which runs the scheduler as well. Nobody is asked
for a pass phrase: an agent or a key without one lets in, and the hosts are known already.

>>> over_ssh = '''
... where = "ssh"
... most = 16
... [ssh]
... hosts = ["lab-1", "lab-2"]
... python = "/opt/veneercheck/bin/python"  # on every host, with the extra [batch]
... user = "lab"                # all that follows may be left to the settings of SSH itself
... port = 22
... key = "cluster_key"         # a file, from this file's folder
... known_hosts = "known_hosts"
... '''

For Kubernetes (extra `[kubernetes]`), where Dask's operator is installed and this machine's
settings of `kubectl` reach it:

>>> kubernetes = '''
... where = "kubernetes"
... most = 50
... [kubernetes]
... image = "registry.lab/veneercheck:0.1.0"  # this version with the extra [batch]
... claim = "cases"                 # a PersistentVolumeClaim that holds scans and results
... mount = "/cases"                # where each worker sees it, and this machine too
... name = "veneercheck"
... namespace = "default"
... service = "ClusterIP"           # forwarded; or "LoadBalancer", "NodePort"
... '''

Every worker has one thread and one process that checks for it, and sees scans and `--out` under the
same paths. Dask asks nobody who they are: keep its ports within the laboratory's own network. The
cluster ends with the batch; on Kubernetes it goes ten minutes after who asked was killed.

Notes
-----
Dask's own classes do the work: `LocalCluster`, the processes of `SSHCluster`, `KubeCluster`.
`SSHCluster` itself starts a fixed number and cannot grow: its parts are put together here, so that
a new worker goes to the host that has the fewest. Each host is looked at before: a wrong name, key,
folder or version would else be a cluster that waits without a word. Dask aims at five seconds of
work a worker; a batch wants all it may have while cases last, so it is told a tenth of one. Cost:
on Kubernetes the operator goes by its own five seconds.
"""

from __future__ import annotations

import asyncio
import dataclasses
import logging
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from veneercheck import __version__
from veneercheck.core.errors import ProfileError, RecordError, Told
from veneercheck.profile.keys import (
    AS_TEXT,
    choice_of,
    known_keys,
    table_of,
    text_of,
    told,
    toml_of,
)

PLACES = ("here", "ssh", "kubernetes")
_WHOLE = {"least": (1, 1, 10_000), "most": (4, 1, 10_000), "memory_mb": (2000, 200, 1_000_000),
          "wait_s": (300, 1, 86_400)}  # fmt: skip
"""Whole numbers of the file: the one that stands where none is given, the least, the greatest."""

_SERVICES = ("ClusterIP", "LoadBalancer", "NodePort")
_WORK_A_WORKER = "100ms"
_LOOKS_BEFORE_LESS = 30
"""Seconds with nothing to do before a worker is sent home: it takes some to come."""

_IDLE_S = 600
_LOOK_S = 20
_HOST_SAYS = "import distributed, veneercheck; print(veneercheck.__version__)"


@dataclasses.dataclass(frozen=True, slots=True)
class Start:
    """What a file says of a cluster; `more` is the table of its place."""

    where: str
    least: int
    most: int
    memory_mb: int
    wait_s: int
    more: Mapping[str, Any]
    file: Path


def read_start(file: Path) -> Start:
    """Read the file.

    Raises
    ------
    ProfileError
        If it says what is not known, or lacks what its place needs.
    """
    given, name = toml_of(file, AS_TEXT), file.name
    known_keys(given, ("where", *_WHOLE, "ssh", "kubernetes"), name)
    where = choice_of(given, "where", PLACES, "here", name) or "here"
    numbers = {key: _whole(given, key, name, bounds) for key, bounds in _WHOLE.items()}
    if numbers["least"] > numbers["most"]:
        raise ProfileError(
            Told(
                "least = {least} is more than most = {most}.",
                least=numbers["least"],
                most=numbers["most"],
            ),
            where=name,
            next_step="Give least and most the other way round.",
        )
    for other in {"ssh", "kubernetes"} - {where}:
        if other in given:
            raise ProfileError(
                Told(
                    "[{other}] is said, and the cluster is to be {where!r}.",
                    other=other,
                    where=where,
                ),
                where=name,
                next_step=Told('Write where = "{other}", or take [{other}] out.', other=other),
            )
    table = table_of(given, where, name) if where != "here" else {}
    read = {"here": lambda *_: {}, "ssh": _ssh, "kubernetes": _kubernetes}[where]
    return Start(where, **numbers, more=read(table, f"{name}, [{where}]", file.parent), file=file)


def _ssh(table: Mapping[str, Any], where: str, folder: Path) -> dict[str, Any]:
    known_keys(table, ("hosts", "python", "user", "port", "key", "known_hosts"), where)
    hosts = table.get("hosts")
    if not isinstance(hosts, list) or not hosts or not all(isinstance(h, str) and h for h in hosts):
        raise ProfileError(
            "names no hosts.", where=where, next_step='Write hosts = ["lab-1", "lab-2"].'
        )
    way: dict[str, Any] = {}
    if "user" in table:
        way["username"] = text_of(table, "user", "", where)
    if "port" in table:
        way["port"] = _whole(table, "port", where, (22, 1, 65_535))
    for key, called in (("key", "client_keys"), ("known_hosts", "known_hosts")):
        if key in table:
            way[called] = str(_file(folder / text_of(table, key, "", where), key, where))
    return {"hosts": hosts, "python": _needed(table, "python", where), "way": way}


def _kubernetes(table: Mapping[str, Any], where: str, _: Path) -> dict[str, Any]:
    keys = ("image", "claim", "mount", "name", "namespace", "service")
    known_keys(table, keys, where)
    found = {key: _needed(table, key, where) for key in ("image", "claim", "mount")}
    if not found["mount"].startswith("/"):
        raise ProfileError(
            Told("mount = {value} is no whole path.", value=told(found["mount"])),
            where=where,
            next_step="Begin it with /, as this machine sees the same folder.",
        )
    found["name"] = text_of(table, "name", "veneercheck", where)
    found["namespace"] = text_of(table, "namespace", "default", where)
    found["service"] = choice_of(table, "service", _SERVICES, "ClusterIP", where) or ""
    return found


def _needed(table: Mapping[str, Any], key: str, where: str) -> str:
    value = text_of(table, key, "", where)
    if not value:
        raise ProfileError(
            Told("lacks {key}.", key=key),
            where=where,
            next_step=Told("Write {key} as the chapter shows.", key=key),
        )
    return value


def _whole(given: Mapping[str, Any], key: str, where: str, bounds: tuple[int, int, int]) -> int:
    standard, least, most = bounds
    value = given.get(key, standard)
    if type(value) is not int or not least <= value <= most:
        raise ProfileError(
            Told(
                "{key} = {value} is no whole number from {least} to {most}.",
                key=key,
                value=told(value),
                least=least,
                most=most,
            ),
            where=where,
            next_step="Write it without quotes, point or unit.",
        )
    return value


def _file(path: Path, key: str, where: str) -> Path:
    if not path.is_file():
        raise ProfileError(
            Told("{key}: there is no such file ({path}).", key=key, path=path),
            where=where,
            next_step="Give it from the folder of this file, or as a whole path.",
        )
    return path


@contextmanager
def started(start: Start) -> Iterator[str]:
    """Start the cluster and keep it for as long; the address of its scheduler.

    Raises
    ------
    RecordError
        If what it needs is not installed, a host is not as it must be, or it does not start.
    """
    make = {"here": _make_here, "ssh": _make_over_ssh, "kubernetes": _make_on_kubernetes}
    try:
        cluster = make[start.where](start)
        cluster.adapt(minimum=start.least, maximum=start.most, **_pace(start))
    except ModuleNotFoundError as error:
        extra = "batch" if start.where == "here" else f"batch,{start.where}"
        raise RecordError(
            Told("such a cluster needs what is not installed ({name}).", name=error.name),
            where=start.file.name,
            next_step=Told("Install it: pip install 'veneercheck[{extra}]'.", extra=extra),
        ) from None
    except RecordError:
        raise
    except Exception as error:  # each place and library has errors of its own
        line = " ".join(f"{type(error).__name__}: {error}".split())
        raise RecordError(
            Told("the cluster did not start ({line}).", line=line),
            where=start.file.name,
            next_step="Compare the file with «python -m pydoc veneercheck.batch.start».",
        ) from None
    with cluster:
        yield str(cluster.scheduler_address)


def _pace(start: Start) -> dict[str, Any]:
    if start.where == "kubernetes":
        return {}
    return {"target_duration": _WORK_A_WORKER, "wait_count": _LOOKS_BEFORE_LESS}


def _make_here(start: Start) -> Any:
    import distributed

    untyped: Any = distributed
    return untyped.LocalCluster(
        n_workers=start.least,
        threads_per_worker=1,
        processes=True,
        memory_limit=start.memory_mb * 10**6,
        silence_logs=logging.ERROR,
        dashboard_address=":0",  # without one, the port that is usual is taken, or warned of
    )


def _make_over_ssh(start: Start) -> Any:
    from distributed.deploy import spec, ssh

    hosts, python, way = (start.more[key] for key in ("hosts", "python", "way"))
    asyncio.run(_look_at_hosts(hosts, python, way, start.file.name))
    common = {"connect_options": way, "remote_python": python}
    untyped: Any = spec.SpecCluster

    class OnHosts(untyped):  # type: ignore[misc]
        """A new worker goes to the host that has the fewest, and is called as it is known here."""

        def new_worker_spec(self) -> dict[Any, Any]:
            ((name, one),) = super().new_worker_spec().items()
            at_work = Counter(other["options"]["address"] for other in self.worker_spec.values())
            options = {**one["options"], "address": min(hosts, key=at_work.__getitem__)}
            options["kwargs"] = {**options["kwargs"], "name": name}
            return {name: {**one, "options": options}}

    worker = {"nthreads": 1, "memory_limit": start.memory_mb * 10**6}
    return OnHosts(
        scheduler={"cls": ssh.Scheduler, "options": {
            **common, "address": hosts[0], "kwargs": {"dashboard": False}}},
        worker={"cls": ssh.Worker, "options": {**common, "address": "", "kwargs": worker}},
        name="veneercheck",
    )  # fmt: skip


async def _look_at_hosts(hosts: list[str], python: str, way: Mapping[str, Any], file: str) -> None:
    """Refuse a host that cannot be reached, or has not this version."""
    import asyncssh

    for host in dict.fromkeys(hosts):
        try:
            async with asyncio.timeout(_LOOK_S), asyncssh.connect(host, **way) as line:
                answer = await line.run(f'"{python}" -c "{_HOST_SAYS}"')
        except (OSError, asyncssh.Error) as error:
            raise RecordError(
                Told(
                    "{host} cannot be reached over SSH ({kind}: {error}).",
                    host=host,
                    kind=type(error).__name__,
                    error=error,
                ),
                where=file,
                next_step="Try «ssh» with the same name, user and key; it must ask nothing.",
            ) from None
        version = str(answer.stdout).strip()
        if answer.exit_status or version != __version__:
            last = str(answer.stderr).strip().rpartition("\n")[2] or f"version {version}"
            raise RecordError(
                Told(
                    "{host} does not have version {wanted} there ({last}).",
                    host=host,
                    wanted=__version__,
                    last=last,
                ),
                where=f"{file}, python = {python!r}",
                next_step="Install it on that host: pip install 'veneercheck[batch]'.",
            )


def kubernetes_spec(start: Start) -> dict[str, Any]:
    """The DaskCluster that Kubernetes is asked for: scheduler, workers, the folder that all see."""
    from dask_kubernetes.operator import make_cluster_spec

    more, memory = start.more, f"{start.memory_mb}M"
    spec: dict[str, Any] = make_cluster_spec(
        name=more["name"],
        image=more["image"],
        n_workers=start.least,
        resources={"requests": {"cpu": "1", "memory": memory}, "limits": {"memory": memory}},
        worker_command=["dask", "worker", "--nthreads", "1", "--memory-limit", f"{memory}B"],
        scheduler_service_type=more["service"],
        idle_timeout=_IDLE_S,
        env={},
    )
    worker = spec["spec"]["worker"]["spec"]
    worker["volumes"] = [{"name": "cases", "persistentVolumeClaim": {"claimName": more["claim"]}}]
    for container in worker["containers"]:
        container["volumeMounts"] = [{"name": "cases", "mountPath": more["mount"]}]
    return spec


def _make_on_kubernetes(start: Start) -> Any:
    from dask_kubernetes.operator import KubeCluster
    from dask_kubernetes.operator.kubecluster.kubecluster import CreateMode

    return KubeCluster(
        custom_cluster_spec=kubernetes_spec(start),
        namespace=start.more["namespace"],
        create_mode=CreateMode.CREATE_ONLY,  # another run's cluster is not ours to end
        shutdown_on_close=True,
        resource_timeout=start.wait_s,
        quiet=True,
    )
