"""Durable ingest: gRPC, watermark, timeline and COPY, beside plain ways into the same table."""
import json
import os
import pathlib
import shutil
import subprocess
import tempfile
import time

from bench_server import Server, cpu_seconds

AGENTS = 100
BATCH = 50
INSERT_ROWS = 5000
COLUMNS = ("received_at, occurred_at, effective_at, sequence, site_id, machine_id, agent_id, epoch_id, kind, rehearsal, "
           "payload")


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
    server = Server(programs, directory, AGENTS)
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
