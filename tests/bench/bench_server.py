"""A server with its private PostgreSQL, for benchmarks, and what processes cost."""
import contextlib
import json
import os
import pathlib
import socket
import subprocess
import time
import urllib.request


def free_port():
    with contextlib.closing(socket.socket()) as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def memory_mib(pid):
    """Resident and, of that, anonymous memory."""
    status = dict(line.split(":", 1) for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(status["VmRSS"].split()[0]) / 1024, int(status["RssAnon"].split()[0]) / 1024


def cpu_seconds(pids):
    """User and system seconds of the processes so far, their ended children included."""
    ticks = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            ticks += sum(int(f) for f in fields[11:15])
    return ticks / os.sysconf("SC_CLK_TCK")


def declaration(sites):
    """That many sites bench-0001 …, each with a machine bay-1 and an agent of the site's name."""
    lines = ["[fleet]", "demonstration = false"]
    for i in range(1, sites + 1):
        key = f"bench-{i:04}"
        lines += ["[[site]]", f'key = "{key}"', f'name = "{key}"', 'region = "bench"', 'time_zone = "UTC"',
                  'currency = "EUR"', "latitude = 50.0", "longitude = 5.0", 'attendance = "unattended"',
                  "[[site.agent]]", f'key = "{key}"', "[[site.hours]]", 'valid_from = "2020-01-01"']
        lines += [f'{day} = ["00:00-24:00"]' for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday")]
        lines += ["[[site.machine]]", 'key = "bay-1"', 'name = "Bay 1"', 'kind = "gantry"', f'agent = "{key}"',
                  'in_service_from = "2020-01-01"']
    return "\n".join(lines) + "\n"


class Server:
    """`declared`: so many sites as declaration() makes them, or a declaration's text; None: the directory's own stay."""

    def __init__(self, programs, directory, declared):
        self.directory = directory
        self.agents, self.api, self.http = (f"127.0.0.1:{free_port()}" for _ in range(3))
        self.log = open(directory / "server.log", "w")
        self.process = subprocess.Popen(
            [programs / "bayward-server", "--data-dir", directory / "data", "--listen-agents", self.agents,
             "--listen-api", self.api, "--listen-http", self.http, "--disk-free-min-bytes", "1GiB",
             "--disk-free-min-fraction", "0.01"], stderr=self.log)
        deadline = time.monotonic() + 60
        while True:
            try:
                urllib.request.urlopen(f"http://{self.http}/ready", timeout=2)
                break
            except OSError:
                if time.monotonic() > deadline or self.process.poll() is not None:
                    raise SystemExit("the server did not get ready:\n" + (directory / "server.log").read_text())
                time.sleep(0.05)
        self.socket = next((directory / "data").rglob("socket"))
        self.postmaster = int((self.socket.parent / "cluster" / "postmaster.pid").read_text().split()[0])
        if declared is None:
            return
        text = declared if isinstance(declared, str) else declaration(declared)
        body = {"files": [{"name": "bench.toml", "text": text}], "apply": True}
        request = urllib.request.Request(f"http://{self.http}/bayward.v1.Fleet/DeclareFleet", json.dumps(body).encode(),
                                         {"Content-Type": "application/json"})
        urllib.request.urlopen(request, timeout=60).read()
        time.sleep(1.5)  # the server looks for a changed fleet once a second

    def psql(self, sql, stdin=None):
        return subprocess.run(["psql", "-qAt", "-v", "ON_ERROR_STOP=1", "-h", self.socket, "-U", "bayward", "bayward",
                               "-c", sql], stdin=stdin, check=True, capture_output=True, text=True).stdout.strip()

    def psql_file(self, path):
        subprocess.run(["psql", "-q", "-v", "ON_ERROR_STOP=1", "-h", self.socket, "-U", "bayward", "bayward", "-f", path],
                       check=True, stdout=subprocess.DEVNULL)

    def backends(self):
        children = subprocess.run(["pgrep", "-P", str(self.postmaster)], capture_output=True, text=True).stdout.split()
        return [self.postmaster] + [int(pid) for pid in children]

    def stop(self):
        self.process.terminate()
        self.process.wait(60)
