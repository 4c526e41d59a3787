"""Figures over a fleet with 90 days of history: answers warm and from a server just started, with ten times the washes, and
over fleets of growing size, beside one statement that reads the same spells."""
import datetime
import http.client
import json
import math
import os
import pathlib
import shutil
import subprocess
import tempfile
import time

from bench_server import Server, cpu_seconds, memory_mib

DAYS = 90
WASHES_A_DAY = 11
OUTAGES = 30
WARM_ROUNDS = 7
CALLS = {
    "availability": ("GetAvailability", {"grouping": "GROUPING_SITE"}),
    "ranking": ("RankFaults", {}),
    "comparison": ("CompareMachines", {}),
}
# What is shown of one site.
PAGE = {
    "machines": ("GetAvailability", {"grouping": "GROUPING_MACHINE"}),
    "ranking": ("RankFaults", {}),
    "outages": ("ListOutages", {}),
}


def declaration(machines):
    """Sites in three zones, a few machines each, with hours and a target."""
    of_site = 3 if machines <= 5000 else 30
    lines = ["[fleet]", "demonstration = false"]
    for site in range(math.ceil(machines / of_site)):
        key = f"s{site:05}"
        zone = ("Europe/Berlin", "Europe/London", "Europe/Helsinki")[site % 3]
        lines += ["[[site]]", f'key = "{key}"', f'name = "{key}"', f'region = "r{site % 10}"', f'time_zone = "{zone}"',
                  'currency = "EUR"', "latitude = 50.0", "longitude = 5.0", 'attendance = "unattended"',
                  "[[site.agent]]", f'key = "{key}"', "[[site.target]]", "availability = 0.96",
                  'valid_from = "2020-01-01"', "[[site.hours]]", 'valid_from = "2020-01-01"']
        lines += [f'{day} = ["06:00-22:00"]' for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday")]
        for machine in range(min(of_site, machines - site * of_site)):
            kind = "tunnel" if machine % 3 == 2 else "gantry"
            lines += ["[[site.machine]]", f'key = "m{machine}"', f'name = "m{machine}"', f'kind = "{kind}"',
                      f'agent = "{key}"', 'in_service_from = "2020-01-01"']
    return "\n".join(lines) + "\n"


class Fleet:
    """A server over a filled database."""

    def __init__(self, programs, machines, factor):
        self.programs = programs
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="bayward-bench-", dir="/tmp"))
        os.chmod(self.directory, 0o711)
        self.server = Server(programs, self.directory, declaration(machines))
        filled = subprocess.run([programs / "bayward-fill", "--database", self.database(), "--days", str(DAYS),
                                 "--washes-a-day", str(WASHES_A_DAY * factor), "--outages", str(OUTAGES)],
                                check=True, capture_output=True, text=True)
        self.stored = json.loads(filled.stdout)
        self.server.psql("VACUUM ANALYZE")
        self.server.psql("CHECKPOINT")
        self.window = {"from": str(datetime.date.today() - datetime.timedelta(days=DAYS - 1))}

    def database(self):
        return f"host={self.server.socket} user=bayward dbname=bayward"

    def restart(self):
        self.server.stop()
        self.server = Server(self.programs, self.directory, None)

    def ask(self, call, scope=None):
        """Seconds until the whole answer is there."""
        method, request = call
        body = json.dumps({**request, "scope": scope or {}, "window": self.window})
        connection = http.client.HTTPConnection(self.server.http, timeout=600)
        begun = time.monotonic()
        connection.request("POST", f"/bayward.v1.Figures/{method}", body, {"Content-Type": "application/json"})
        answer = connection.getresponse()
        text = answer.read()
        seconds = time.monotonic() - begun
        connection.close()
        if answer.status != 200:
            raise SystemExit(f"{method} answered {answer.status}: {text[:500]}")
        return seconds

    def all(self, calls, scope=None):
        return {name: self.ask(call, scope) for name, call in calls.items()}

    def cold(self):
        """Of a server just started: the first answers."""
        self.restart()
        return self.all(CALLS)

    def warm(self, calls, scope=None):
        """The median of each, and the server's CPU seconds for all of them once."""
        self.all(calls, scope)
        cpu = cpu_seconds([self.server.process.pid])
        rounds = [self.all(calls, scope) for _ in range(WARM_ROUNDS)]
        cpu = (cpu_seconds([self.server.process.pid]) - cpu) / WARM_ROUNDS
        return {name: sorted(r[name] for r in rounds)[WARM_ROUNDS // 2] for name in calls}, cpu

    def spells(self):
        """Seconds that one statement takes to read all spells."""
        path = self.directory / "spells"
        begun = time.monotonic()
        self.server.psql(f"\\copy (SELECT * FROM spell) TO '{path}'")
        return time.monotonic() - begun

    def memory(self):
        return memory_mib(self.server.process.pid)[1]

    def close(self):
        self.server.stop()
        shutil.rmtree(self.directory, ignore_errors=True)


def row(name, value, unit, yardstick="", ratio=None):
    return {"name": name, "value": value, "unit": unit, "yardstick": yardstick, "ratio": ratio}


def look_at(programs, machines, factor):
    fleet = Fleet(programs, machines, factor)
    try:
        before = fleet.memory()
        cold, spells = fleet.cold(), fleet.spells()
        warm, cpu = fleet.warm(CALLS)
        page, _ = fleet.warm(PAGE, {"sites": ["s00001"]})
        kept = (fleet.memory() - before) * 1024 / machines
        return {"stored": fleet.stored, "cold": cold, "warm": warm, "cpu": cpu, "spells": spells, "page": page,
                "kept": kept}
    finally:
        fleet.close()


def of_one(name, seen):
    stick = f"COPY of {seen['stored']['spells']:,} spells, {seen['spells'] * 1e3:.0f} ms"
    rows = [row(f"{name}.events", seen["stored"]["events"], "raw events")]
    for state in ("cold", "warm"):
        for call, seconds in seen[state].items():
            rows.append(row(f"{name}.{state}.{call}", seconds * 1e3, "ms"))
        whole = sum(seen[state].values())
        rows.append(row(f"{name}.{state}.all", whole * 1e3, "ms", stick, whole / seen["spells"]))
    rows.append(row(f"{name}.warm.cpu_server", seen["cpu"] * 1e3, "CPU ms for all"))
    rows.append(row(f"{name}.page_of_a_site", sum(seen["page"].values()) * 1e3, "ms", stick,
                    sum(seen["page"].values()) / seen["spells"]))
    rows.append(row(f"{name}.memory", seen["kept"], "KiB a machine"))
    return rows


def measure(programs, options):
    plain = look_at(programs, options.machines, 1)
    rows = of_one(f"figures.{options.machines}", plain)
    if options.events_factor > 1:
        more = look_at(programs, options.machines, options.events_factor)
        rows += of_one(f"figures.{options.machines}.x{options.events_factor}", more)
        for state in ("cold", "warm"):
            ratio = sum(more[state].values()) / sum(plain[state].values())
            rows.append(row(f"figures.{state}.more_events", 100 * (ratio - 1), "% longer",
                            f"{options.events_factor} times the washes", ratio))
    sizes = {options.machines: plain}
    for machines in options.growth:
        if machines not in sizes:
            sizes[machines] = look_at(programs, machines, 1)
            rows += of_one(f"figures.{machines}", sizes[machines])
    ordered = sorted(sizes)
    for smaller, larger in zip(ordered, ordered[1:]):
        for state in ("cold", "warm"):
            ratio = sum(sizes[larger][state].values()) / sum(sizes[smaller][state].values())
            rows.append(row(f"figures.{state}.growth.{smaller}_to_{larger}", math.log(ratio) / math.log(larger / smaller),
                            "exponent", f"{larger / smaller:g} times the machines", ratio))
    return rows
