"""A bayward-server with its private PostgreSQL cluster, started, asked, killed and started again."""

import http.client
import json
import os
import pathlib
import subprocess
import urllib.error
import urllib.request

from google.protobuf import json_format

import protocol
from harness import BIN, Late, Program, alive, free_ports, kill_and_wait, wait_until

READY_SECONDS = 120

# No proxy of the environment: the server is on this machine.
_OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


class CallError(Exception):
    """What the HTTP door said instead of an answer."""

    def __init__(self, status, text):
        super().__init__(f"HTTP {status}: {text}")
        self.status, self.text = status, text

    @property
    def code(self):
        """The name of gRPC's status code."""
        return json.loads(self.text)["code"]


class Server:
    """`options`: further flags by name, as {"listen-http": "…"}."""

    def __init__(self, folder, name="server", data=None, options=None, environment=None):
        self.name = name
        self.data = pathlib.Path(data or folder / name)
        self.log = folder / f"{name}.log"
        agents, api, http_port = free_ports(3)
        self.options = {"data-dir": self.data, "listen-agents": f"127.0.0.1:{agents}",
                        "listen-api": f"127.0.0.1:{api}", "listen-http": f"127.0.0.1:{http_port}",
                        "ingest-heartbeat-interval": "1s", "disk-free-min-bytes": "0",
                        "disk-free-min-fraction": "0", **(options or {})}
        self.environment = environment
        self.program = None

    # ---- life

    def launch(self):
        """Starts the process, and waits for nothing."""
        flags = [f"--{flag}={value}" for flag, value in self.options.items() if value is not None]
        self.program = Program(self.name, [BIN / "bayward-server", *flags], self.log, environment=self.environment)
        return self

    def start(self):
        self.launch()
        self.program.wait_until(self.ready, READY_SECONDS, f"{self.name} should be ready")
        return self

    def kill9(self):
        """The server alone; its cluster goes on."""
        self.program.kill9()

    def terminate(self):
        return self.program.terminate()

    def restart(self):
        return self.start()

    def dispose(self):
        if self.program is not None:
            self.program.dispose()
        pids = self.cluster_pids()
        if pids:
            kill_and_wait(pids)

    def log_end(self, lines=60):
        cluster = self.cluster_folder().parent / "cluster.log"
        tail = cluster.read_text(errors="replace").splitlines()[-15:] if cluster.exists() else []
        return self.program.log_end(lines) + "\n--- cluster.log\n" + "\n".join(tail) if self.program else ""

    # ---- its PostgreSQL

    def cluster_folder(self):
        """PostgreSQL's own data directory."""
        found = list(self.data.glob("**/PG_VERSION"))
        return min((path.parent for path in found), key=lambda path: len(path.parts), default=self.data / "cluster")

    def postmaster(self):
        """Its process id, or None where none runs."""
        try:
            pid = int((self.cluster_folder() / "postmaster.pid").read_text().split()[0])
        except (OSError, ValueError, IndexError):
            return None
        return pid if alive(pid) and _command(pid) == "postgres" else None

    def cluster_pids(self):
        """The postmaster and all that it started."""
        parent = self.postmaster()
        if parent is None:
            return []
        return [parent] + [pid for pid in _processes() if _parent(pid) == parent]

    def kill_cluster(self):
        """SIGKILL to every process of PostgreSQL, the postmaster first: nobody is left to restart
        anything."""
        pids = self.cluster_pids()
        if not pids:
            return False
        kill_and_wait(pids)
        return True

    def database_url(self):
        return f"host={self.cluster_folder().parent / 'socket'} port=5432 user=bayward dbname=bayward"

    def sql(self, query, database="bayward"):
        """Rows as lists of text."""
        socket = self.cluster_folder().parent / "socket"
        done = subprocess.run(["psql", "-AtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-h", socket, "-p", "5432", "-U",
                               "bayward", "-d", database, "-c", query], capture_output=True, text=True, timeout=60)
        if done.returncode != 0:
            raise AssertionError(f"psql: {done.stderr.strip()}\n{query}")
        return [line.split("\t") for line in done.stdout.splitlines()]

    def database_answers(self):
        try:
            return bool(self.sql("SELECT 1"))
        except AssertionError:
            return False

    def number(self, query):
        return int(self.sql(query)[0][0])

    # ---- its doors

    @property
    def agents_address(self):
        return self.options["listen-agents"]

    @property
    def http_address(self):
        return self.options["listen-http"]

    def get(self, path, timeout=20):
        """Status, headers and text; the status is 0 where nobody answers."""
        try:
            with _OPENER.open(f"http://{self.http_address}{path}", timeout=timeout) as answer:
                return answer.status, answer.headers, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.headers, error.read().decode(errors="replace")
        except (OSError, http.client.HTTPException):
            return 0, {}, ""

    def ready(self):
        return self.get("/ready")[0] == 200

    def call(self, method, **request):
        """`method`: "Figures/GetAvailability"; the answer as the message that the interface names."""
        service, name = method.split("/")
        answer_type = getattr(protocol.MODULE_OF[service], name + "Response")
        body = json.dumps(request).encode()
        asked = urllib.request.Request(f"http://{self.http_address}/bayward.v1.{method}", data=body,
                                       headers={"Content-Type": "application/json"})
        try:
            with _OPENER.open(asked, timeout=60) as answer:
                return json_format.Parse(answer.read(), answer_type())
        except urllib.error.HTTPError as error:
            with error:
                raise CallError(error.code, error.read().decode(errors="replace")) from None

    def declare(self, *files, **options):
        """`files`: TOML texts."""
        named = [{"name": f"fleet-{number}.toml", "text": text} for number, text in enumerate(files, 1)]
        return self.call("Fleet/DeclareFleet", files=named, apply=True, **options)

    def live(self):
        """LiveMachine by "site/machine"."""
        return {machine.machine: machine for machine in self.call("Fleet/GetLive").machines}

    def metrics(self):
        """{(name, frozenset of label pairs): value} of one scrape."""
        status, _, text = self.get("/metrics")
        if status != 200:
            raise Late(f"GET /metrics answered {status}: {text}")
        return parse_metrics(text)

    def conditions(self, machine):
        """Those of the state set that are 1."""
        return [dict(labels)["condition"] for (name, labels), value in self.metrics().items()
                if name == "bayward_machine_condition" and ("machine", machine) in labels and value == 1]

    def wait_for_condition(self, machine, condition, seconds=30):
        found = {}

        def look():
            found.update(self.live())
            return machine in found and protocol.condition_name(found[machine]) == condition
        wait_until(look, seconds, lambda: f"{machine} should be {condition}; found {found.get(machine)}")
        return found[machine]


def parse_metrics(text):
    samples = {}
    for line in text.splitlines():
        if not line or line.startswith("#"):
            continue
        name, labels = line, ""
        if "{" in line:
            name, rest = line.split("{", 1)
            labels, value = rest.rsplit("} ", 1)
        else:
            name, value = line.split(" ", 1)
        pairs = frozenset(_labels(labels))
        samples[name, pairs] = float(value.split()[0])
    return samples


def _labels(text):
    """Pairs of `a="b",c="d"`; values may hold escaped quotes."""
    at = 0
    while at < len(text):
        equals = text.index('="', at)
        end, value = equals + 2, []
        while text[end] != '"':
            if text[end] == "\\":
                end += 1
                value.append({"n": "\n"}.get(text[end], text[end]))
            else:
                value.append(text[end])
            end += 1
        yield text[at:equals].lstrip(","), "".join(value)
        at = end + 1


def _processes():
    return [int(name) for name in os.listdir("/proc") if name.isdigit()]


def _parent(pid):
    try:
        return int(pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
    except (OSError, IndexError):
        return 0


def _command(pid):
    try:
        return pathlib.Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return ""
