"""Durable ingest: gRPC, watermark, timeline and COPY, beside plain ways into the same table."""
import contextlib
import json
import os
import pathlib
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.request

AGENTS = 100
BATCH = 50
INSERT_ROWS = 5000
COLUMNS = ("received_at, occurred_at, effective_at, sequence, site_id, machine_id, agent_id, epoch_id, kind, rehearsal, "
           "payload")


def free_port():
    with contextlib.closing(socket.socket()) as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def cpu_seconds(pids):
    """User and system seconds of the processes so far, their ended children included."""
    ticks = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            ticks += sum(int(f) for f in fields[11:15])
    return ticks / os.sysconf("SC_CLK_TCK")


def declaration():
    lines = ["[fleet]", "demonstration = false"]
    for i in range(1, AGENTS + 1):
        key = f"bench-{i:04}"
        lines += ["[[site]]", f'key = "{key}"', f'name = "{key}"', 'region = "bench"', 'time_zone = "UTC"',
                  'currency = "EUR"', "latitude = 50.0", "longitude = 5.0", 'attendance = "unattended"',
                  "[[site.agent]]", f'key = "{key}"', "[[site.hours]]", 'valid_from = "2020-01-01"']
        lines += [f'{day} = ["00:00-24:00"]' for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday")]
        lines += ["[[site.machine]]", 'key = "bay-1"', 'name = "Bay 1"', 'kind = "gantry"', f'agent = "{key}"',
                  'in_service_from = "2020-01-01"']
    return "\n".join(lines) + "\n"


class Server:
    def __init__(self, programs, directory):
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
        body = {"files": [{"name": "bench.toml", "text": declaration()}], "apply": True}
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


def load(programs, server, events, batch=BATCH, rate=0.0):
    command = [programs / "bayward-load", "--server", server.agents, "--agents", str(AGENTS), "--batch", str(batch),
               "--events", str(events), "--rate", str(rate)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def timed(action):
    begun = time.monotonic()
    action()
    return time.monotonic() - begun


def make_insert_file(server, path, source, table):
    """The same rows as INSERT statements of 5,000 rows each."""
    rows = server.psql(f"SELECT format('(%L,%L,%L,%s,%s,%s,%s,%s,%s,%L,%L)', {COLUMNS}) FROM {source}").splitlines()
    with open(path, "w") as out:
        for at in range(0, len(rows), INSERT_ROWS):
            out.write(f"INSERT INTO {table} ({COLUMNS}) VALUES\n" + ",\n".join(rows[at:at + INSERT_ROWS]) +
                      "\nON CONFLICT DO NOTHING;\n")
    return len(rows)


def durable_commit(server, path):
    """Seconds that one durable commit of a row takes, on the average of many."""
    commits = 500
    server.psql("CREATE TABLE bench_commit (value integer)")
    path.write_text("INSERT INTO bench_commit VALUES (1);\n" * commits)
    return timed(lambda: server.psql_file(path)) / commits


def measure(programs, events):
    directory = pathlib.Path(tempfile.mkdtemp(prefix="bayward-bench-", dir="/tmp"))
    os.chmod(directory, 0o711)
    server = Server(programs, directory)
    try:
        load(programs, server, AGENTS * BATCH * 4)  # caches warm, sessions open
        server.psql("CHECKPOINT")
        calm = load(programs, server, 3000, batch=1, rate=100.0)
        commit = durable_commit(server, directory / "commits.sql")
        cpu = (cpu_seconds([server.process.pid]), cpu_seconds(server.backends()))
        ours = load(programs, server, events)
        cpu = (cpu_seconds([server.process.pid]) - cpu[0], cpu_seconds(server.backends()) - cpu[1])
        rate = ours["events"] / ours["seconds"]

        server.psql("CREATE TABLE bench_copy (LIKE event); CREATE INDEX ON bench_copy USING brin (received_at); "
                    "CREATE TABLE bench_insert (LIKE event, UNIQUE (agent_id, epoch_id, sequence)); "
                    "CREATE INDEX ON bench_insert USING brin (received_at)")
        copy_file = directory / "rows.copy"
        rows = int(server.psql("SELECT count(*) FROM event"))
        server.psql(f"\\copy (SELECT {COLUMNS} FROM event) TO '{copy_file}'")
        server.psql("CHECKPOINT")
        copy_cpu = cpu_seconds(server.backends())
        copy_seconds = timed(lambda: server.psql(f"\\copy bench_copy ({COLUMNS}) FROM '{copy_file}'"))
        copy_rate = rows / copy_seconds
        copy_cpu = cpu_seconds(server.backends()) - copy_cpu

        server.psql(f"CREATE TABLE bench_part AS SELECT * FROM event LIMIT {min(rows, 300_000)}")
        insert_file = directory / "rows.sql"
        inserted = make_insert_file(server, insert_file, "bench_part", "bench_insert")
        server.psql("CHECKPOINT")
        insert_rate = inserted / timed(lambda: server.psql_file(insert_file))

        million = 1e6 / ours["events"]
        copy_million = copy_cpu * 1e6 / rows

        def row(name, value, unit, yardstick="", ratio=None):
            return {"name": name, "value": value, "unit": unit, "yardstick": yardstick, "ratio": ratio}

        return [
            row("ingest.durable", rate, "events/s", f"psql COPY, {copy_rate:,.0f} rows/s", rate / copy_rate),
            row("ingest.durable", rate, "events/s", f"INSERT ON CONFLICT, {insert_rate:,.0f} rows/s", rate / insert_rate),
            row("ingest.cpu_server", cpu[0] * million, "CPU s per million events"),
            row("ingest.cpu_postgresql", cpu[1] * million, "CPU s per million events"),
            row("ingest.cpu_both", (cpu[0] + cpu[1]) * million, "CPU s per million events",
                f"COPY session, {copy_million:.2f}", (cpu[0] + cpu[1]) * million / copy_million),
            row("ingest.cpu_load", ours["cpu_seconds"] * million, "CPU s per million events"),
            row("ingest.ack_p99_full_load", ours["ack_p99"] * 1e3, "ms"),
            row("ingest.ack_p50_100_per_s", calm["ack_p50"] * 1e3, "ms", f"one durable commit, {commit * 1e3:.2f} ms",
                calm["ack_p50"] / commit),
            row("ingest.ack_p99_100_per_s", calm["ack_p99"] * 1e3, "ms", f"one durable commit, {commit * 1e3:.2f} ms",
                calm["ack_p99"] / commit),
        ]
    finally:
        server.stop()
        shutil.rmtree(directory, ignore_errors=True)
