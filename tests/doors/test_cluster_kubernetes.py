"""What Kubernetes is asked for: whole by the schemas that Dask's operator is installed with.

No cluster of Kubernetes runs here. Its API is stood in for: it takes what is asked for, holds it
against the schemas, and answers with a scheduler that runs on this machine.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

import many_cases
from program import run
from veneercheck.batch.start import kubernetes_spec, read_start
from veneercheck.case.exits import Exit

pytest.importorskip(
    "dask_kubernetes", reason="a heavy witness: pip install '.[witness]' and '.[kubernetes]'"
)

TEXT = """
where = "kubernetes"
most = 5
wait_s = 60
[kubernetes]
image = "registry.lab/veneercheck:0.1.0"
claim = "cases"
mount = "/cases"
name = "batch"
namespace = "lab"
service = "LoadBalancer"
"""


def schema_of(kind: str) -> dict[str, Any]:
    """Of the operator's own installation; what it does not know is refused, not dropped."""
    import dask_kubernetes
    import yaml

    charts = Path(dask_kubernetes.__file__).parent / "operator" / "deployment" / "helm"
    text = (charts / "dask-kubernetes-operator" / "crds" / f"{kind}.yaml").read_text("utf-8")
    (version,) = yaml.safe_load(text)["spec"]["versions"]
    return strict(version["schema"]["openAPIV3Schema"])


def strict(schema: Any) -> Any:
    """A number or a text where Kubernetes takes either; no key that is not in the schema."""
    if isinstance(schema, list):
        return [strict(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: strict(value) for key, value in schema.items()}
    if schema.get("x-kubernetes-int-or-string") is True:
        made.pop("type", None)
        made["anyOf"] = [{"type": "integer"}, {"type": "string"}]
    if isinstance(schema.get("properties"), dict) and schema.get("type") == "object":
        made.setdefault("additionalProperties", False)
    return made


def faults(kind: str, asked: dict[str, Any]) -> list[str]:
    """What the schema finds fault with."""
    import jsonschema

    spec = schema_of(kind)["properties"]["spec"]
    return [error.message for error in jsonschema.Draft7Validator(spec).iter_errors(asked["spec"])]


def test_what_is_asked_for_is_whole_by_the_operators_schema(tmp_path: Path) -> None:
    (tmp_path / "cluster.toml").write_text(TEXT, encoding="utf-8")
    asked = kubernetes_spec(read_start(tmp_path / "cluster.toml"))
    assert faults("daskcluster", asked) == []
    worker = asked["spec"]["worker"]["spec"]
    assert worker["volumes"][0]["persistentVolumeClaim"] == {"claimName": "cases"}
    (container,) = worker["containers"]
    assert container["volumeMounts"] == [{"name": "cases", "mountPath": "/cases"}]
    assert container["resources"]["limits"] == {"memory": "2000M"}
    assert container["args"][:4] == ["dask", "worker", "--nthreads", "1"]
    assert asked["spec"]["idleTimeout"] == 600, "it goes where who asked was killed"
    container["volumeMonts"] = []
    assert any("volumeMonts" in fault for fault in faults("daskcluster", asked))


class Api(ThreadingHTTPServer):
    """The API of Kubernetes, as far as Dask's operator asks it, and the operator itself."""

    daemon_threads = True

    def __init__(self, scheduler: str) -> None:
        super().__init__(("127.0.0.1", 0), Asked)
        self.port_of_scheduler = int(scheduler.rpartition(":")[2])
        self.there: dict[tuple[str, str], dict[str, Any]] = {}
        self.made: list[dict[str, Any]] = []
        self.gone: list[tuple[str, str]] = []

    def one(self, kind: str, name: str) -> dict[str, Any] | None:
        """An object: what was made, and what an operator makes of a cluster."""
        if (kind, name) in self.there:
            return self.there[kind, name] | {"status": {"phase": "Running"}}
        named = {"metadata": {"name": name, "namespace": "lab"}}
        if kind == "services" and name == "batch-scheduler":
            ports = [{"name": port, "port": self.port_of_scheduler}
                     for port in ("tcp-comm", "http-dashboard")]  # fmt: skip
            where = {"loadBalancer": {"ingress": [{"ip": "127.0.0.1"}]}}
            spec = {"type": "LoadBalancer", "selector": {"of": "batch"}, "ports": ports}
            return {"apiVersion": "v1", "kind": "Service", **named, "spec": spec, "status": where}
        if kind == "pods":
            ready = [{"type": kind, "status": "True"} for kind in ("Ready", "ContainersReady")]
            status = {"phase": "Running", "conditions": ready}
            return {"apiVersion": "v1", "kind": "Pod", **named, "spec": {}, "status": status}
        return None


class Asked(BaseHTTPRequestHandler):
    """One request."""

    server: Api

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def _answer(self, code: int, told: dict[str, Any]) -> None:
        body = json.dumps(told).encode()
        self.send_response(code)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _asked(self) -> tuple[str, str, dict[str, Any]]:
        length = int(self.headers.get("Content-Length") or 0)
        told = json.loads(self.rfile.read(length) or b"{}")
        after = self.path.partition("?")[0].partition("/namespaces/lab/")[2]
        kind, _, name = after.partition("/")
        return kind, name, told

    def do_GET(self) -> None:
        kind, name, _ = self._asked()
        if self.path.startswith("/version"):
            self._answer(200, {"major": "1", "minor": "32", "gitVersion": "v1.32.0"})
        elif name and (found := self.server.one(kind, name)):
            self._answer(200, found)
        elif name or not kind:
            self._answer(404, {"kind": "Status", "code": 404, "message": "not found"})
        else:
            named = re.search(r"metadata\.name%3D([\w-]+)", self.path)
            found = self.server.one(kind, named[1] if named else "one")
            items = [] if found is None else [found]
            self._answer(200, {"kind": "List", "apiVersion": "v1", "items": items})

    def do_POST(self) -> None:
        kind, _, told = self._asked()
        self.server.made.append(told)
        self.server.there[kind, told["metadata"]["name"]] = told
        self._answer(201, told)

    def do_PATCH(self) -> None:
        self._asked()
        self._answer(404, {"kind": "Status", "code": 404, "message": "not found"})

    def do_DELETE(self) -> None:
        kind, name, _ = self._asked()
        self.server.gone.append((kind, name))
        self.server.there.pop((kind, name), None)
        self._answer(200, {"kind": "Status", "status": "Success"})


@contextmanager
def api(scheduler: str) -> Iterator[Api]:
    with Api(scheduler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.filterwarnings("default")  # those of the libraries of Kubernetes are theirs
def test_a_batch_asks_for_a_cluster_uses_it_and_takes_it_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The real command and Dask's own operator client; the workers are here, the API is not."""
    import distributed

    (tmp_path / "cluster.toml").write_text(TEXT, encoding="utf-8")
    many_cases.write_cases(tmp_path, 2)
    here = distributed.LocalCluster(  # under the same name: a scheduler tells whose it is
        n_workers=1, threads_per_worker=1, dashboard_address=":0", name="batch"
    )
    with here, api(here.scheduler_address) as server:
        reach = {
            "apiVersion": "v1",
            "kind": "Config",
            "current-context": "here",
            "contexts": [{"name": "here", "context": {"cluster": "here", "user": "lab"}}],
            "clusters": [
                {"name": "here", "cluster": {"server": f"http://127.0.0.1:{server.server_port}"}}
            ],
            "users": [{"name": "lab", "user": {"token": "none"}}],
        }
        (tmp_path / "kubeconfig").write_text(json.dumps(reach), encoding="utf-8")
        monkeypatch.setenv("KUBECONFIG", str(tmp_path / "kubeconfig"))
        words = ("batch", "cases.csv", "--no-report", "--out", "out", "--cluster", "cluster.toml")
        done = run(*words, folder=tmp_path)
    assert done.code == Exit.FINDINGS, done.said + done.told
    assert "2  cases" in done.said
    cluster, grows = server.made
    assert (cluster["kind"], faults("daskcluster", cluster)) == ("DaskCluster", [])
    assert (grows["kind"], faults("daskautoscaler", grows)) == ("DaskAutoscaler", [])
    assert grows["spec"] == {"cluster": "batch", "minimum": 1, "maximum": 5}
    assert server.gone == [("daskclusters", "batch")]
