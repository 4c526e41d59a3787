#!/usr/bin/python3
"""Runs Bayward with an invented fleet: generates it, starts a server and the agents, waits until 90 days of history are
delivered, and stays live until Ctrl-C. With --once it compares the figures with the generator's own and ends.
"""

import argparse
import datetime
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time

import compare
import generate
from programs import Program, StartError, clean_environment, free_ports
from server_api import Server, ServerError

_DIFFERENCES_SHOWN = 60


def parse_arguments(arguments):
    parser = argparse.ArgumentParser(prog="deploy/demo", description=__doc__)
    parser.add_argument("--once", action="store_true", help="compare the figures, do not stay; 1 if they differ")
    parser.add_argument("--seed", type=int, default=1, help="another number, another fleet (default 1)")
    parser.add_argument("--sites", type=generate.count(1, 400), default=30, help="(default 30)")
    parser.add_argument("--days", type=generate.count(3, 400), default=90, help="of history (default 90)")
    parser.add_argument("--data", type=pathlib.Path, help="folder to keep everything in, gone on with if it exists "
                        "(default: a temporary one, removed at the end)")
    parser.add_argument("--keep", action="store_true", help="keep the temporary folder")
    parser.add_argument("--port-base", type=generate.count(1024, 65000), default=7441,
                        help="first of three ports on 127.0.0.1; others are taken where they are not free (default 7441)")
    parser.add_argument("--build-dir", type=pathlib.Path, default=pathlib.Path("build/release"), help="use the programs in its folder bin, build nothing")
    return parser.parse_args(arguments)


def say(text=""):
    print(text, flush=True)


class Demo:
    def __init__(self, options, folder):
        self._options, self._folder = options, folder
        agents, api, http = (f"127.0.0.1:{port}" for port in free_ports(options.port_base, 3))
        self._doors = {"agents": agents, "api": api, "http": http}
        self._bin = options.build_dir.resolve() / "bin"
        for name in ("bayward-server", "bayward-agent", "bayward"):
            if not os.access(self._bin / name, os.X_OK):
                raise StartError(f"{self._bin / name} was expected and is not there: build it, or give the folder of "
                                 f"another build with --build-dir")
        self._programs = []
        self._server = Server(http)

    # ---------------------------------------------------------------------------------------------- start

    def start(self):
        self._make_fleet()
        self._truth = json.loads((self._folder / "truth.json").read_text())
        server = self._run("bayward-server", "--data-dir", self._folder / "server", "--listen-agents",
                           self._doors["agents"], "--listen-api", self._doors["api"], "--listen-http",
                           self._doors["http"])
        server.wait_until(self._server.ready, 120, "readiness")
        self._client("fleet", "apply", self._folder / "fleet", "--yes", quiet=True)
        self._run("bayward-agent", "run", *self._agent_arguments())

    def _make_fleet(self):
        """Once for a folder: a kept one goes on where it was."""
        made, options = self._folder / "demo.json", self._options
        wanted = {"seed": options.seed, "sites": options.sites, "days": options.days}
        if made.exists():
            before = json.loads(made.read_text())
            if before != wanted:
                raise StartError(f"{self._folder} holds another fleet ({before}): expected {wanted}. Give the same "
                                 f"options, or another folder.")
            say(f"Going on with the fleet in {self._folder}.")
            self._point_agents()
            return
        midnight = datetime.datetime.now(datetime.timezone.utc).replace(hour=0, minute=0, second=0, microsecond=0)
        generate.main(["--seed", str(options.seed), "--sites", str(options.sites), "--days", str(options.days),
                       "--until", midnight.isoformat(), "--uplink", self._doors["agents"], "--out",
                       str(self._folder)])
        made.write_text(json.dumps(wanted))

    def _agent_files(self):
        return sorted((self._folder / "agents").glob("*.toml"))

    def _point_agents(self):
        """The agents of a kept fleet at this run's port."""
        for path in self._agent_files():
            lines = [f'server = "{self._doors["agents"]}"' if line.startswith("server = ") else line
                     for line in path.read_text().splitlines()]
            path.write_text("\n".join(lines) + "\n")

    def _agent_arguments(self):
        return [argument for path in self._agent_files() for argument in ("--config", path)]

    def _run(self, name, *arguments):
        program = Program(name, [self._bin / name, *map(str, arguments)], self._folder / f"{name}.log")
        self._programs.append(program)
        return program

    def _client(self, *arguments, quiet=False):
        command = [self._bin / "bayward", "--server", self._doors["api"], *map(str, arguments)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=120, env=clean_environment())
        except subprocess.TimeoutExpired:
            raise StartError(f"{' '.join(map(str, command))} did not answer within 120 s") from None
        if done.returncode != 0:
            raise StartError(f"{' '.join(map(str, command))} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
        if not quiet:
            say(done.stdout.rstrip())

    def check_programs(self):
        for program in self._programs:
            program.check()

    def stop(self):
        for program in reversed(self._programs):
            program.stop()

    # ------------------------------------------------------------------------------------------- delivery

    def _agents(self):
        sites = self._server.call("Fleet/ListSites", {}).get("sites", [])
        return {agent["agent"]: agent for site in sites for agent in site.get("agents", [])}

    def wait_for_delivery(self, seconds=600):
        """Until every event recorded so far is with the server and the window is final."""
        expected, began = self._truth["agents"], time.monotonic()
        shown = 0.0
        while True:
            self.check_programs()
            agents = self._agents()
            delivered = sum(int(a.get("watermark", 0)) for a in agents.values())
            backlog = sum(int(a.get("backlogEvents", 0)) for a in agents.values())
            done = all(int(agents.get(name, {}).get("watermark", 0)) >= count for name, count in expected.items())
            took = time.monotonic() - began
            if done or took - shown >= 2:
                shown = took
                say(f"  {took:5.1f} s  recorded {delivered + backlog:>8,}  delivered {delivered:>8,}  "
                    f"of {sum(expected.values()):,} until midnight")
            if done and self._is_final():
                say(f"Delivered and final after {time.monotonic() - began:.1f} s.")
                return
            if took > seconds:
                raise StartError(f"the history was expected within {seconds} s: {delivered:,} of "
                                 f"{sum(expected.values()):,} events are delivered")
            time.sleep(0.5)

    def _is_final(self):
        total = self._availability("GROUPING_FLEET")["total"]
        return not total.get("provisional", False) and not total.get("unknownPendingSeconds", 0)

    # ------------------------------------------------------------------------------------------- figures

    def _window(self):
        return {"from": self._rfc3339(self._truth["from_us"]), "to": self._rfc3339(self._truth["to_us"])}

    @staticmethod
    def _rfc3339(micros):
        return datetime.datetime.fromtimestamp(micros // 1_000_000, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")

    def _availability(self, grouping):
        return self._server.call("Figures/GetAvailability", {"window": self._window(), "grouping": grouping})

    def show_figures(self, by):
        window = self._window()
        arguments = ["--from", window["from"], "--to", window["to"]]
        say(f"\nAvailability from {window['from']} to {window['to']}\n")
        self._client("availability", *arguments, "--by", by)
        say("\nFault ranking\n")
        self._client("ranking", *arguments)

    def show_doors(self):
        client, window = f"{self._bin / 'bayward'} --server {self._doors['api']}", self._window()
        say(f"\nThe fleet is live.\n  API      {self._doors['api']} (gRPC), http://{self._doors['http']}/ (JSON)\n"
            f"  metrics  http://{self._doors['http']}/metrics\n  folder   {self._folder}\nTry:\n"
            f"  {client} live\n  {client} sites\n"
            f"  {client} ranking --from {window['from'][:10]} --to {window['to'][:10]}")

    def differences(self):
        truth = self._truth
        found = compare.compare_accounts(truth["machines"], self._availability("GROUPING_MACHINE")["rows"], "machine")
        found += compare.compare_accounts(truth["sites"], self._availability("GROUPING_SITE")["rows"], "site")
        total = self._availability("GROUPING_FLEET")["total"]
        found += compare.compare_accounts({"fleet": truth["fleet"]}, [{**total, "group": "fleet"}], "the")
        ranking = self._server.call("Figures/RankFaults", {"window": self._window(), "grouping": "GROUPING_FLEET"})
        found += compare.compare_ranking(truth["ranking"], ranking.get("rows", []))
        found += compare.check_metrics(*self._server.metrics(), set(truth["machines"]))
        for what in ("Rejected", "Parked"):
            total = int(self._server.call(f"Fleet/List{what}Events", {}).get("total", 0))
            if total:
                found.append(f"{what.lower()} events: 0 expected, {total} found")
        return found


def _check(demo):
    demo.show_figures("machine")
    differences = demo.differences()
    say()
    if not differences:
        say("The figures are the generator's: every machine, every site, the fleet, the ranking; /metrics is sound.")
        return 0
    say(f"{len(differences)} differences from what the generator wrote down:")
    for line in differences[:_DIFFERENCES_SHOWN]:
        say(f"  {line}")
    if len(differences) > _DIFFERENCES_SHOWN:
        say(f"  … and {len(differences) - _DIFFERENCES_SHOWN} more")
    return 1


def _stay(demo):
    demo.show_figures("site")
    demo.show_doors()
    say("\nCtrl-C stops it.")
    while True:
        time.sleep(1)
        demo.check_programs()


def _interrupt(*_):
    raise KeyboardInterrupt


def run(options, folder):
    try:
        demo = Demo(options, folder)
    except StartError as error:
        print(f"deploy/demo: {error}", file=sys.stderr)
        return 1
    try:
        demo.start()
        demo.wait_for_delivery()
        return _check(demo) if options.once else _stay(demo)
    except (StartError, ServerError) as error:
        print(f"deploy/demo: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        say("\nStopping.")
        return 0 if not options.once else 130
    finally:
        # A second Ctrl-C must not leave programs behind.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        demo.stop()


def main(arguments):
    options = parse_arguments(arguments)
    signal.signal(signal.SIGTERM, _interrupt)
    signal.signal(signal.SIGINT, _interrupt)  # also where a shell started it in the background
    if options.data is not None:
        options.data.mkdir(parents=True, exist_ok=True)
        return run(options, options.data.resolve())
    folder = pathlib.Path(tempfile.mkdtemp(prefix="bayward-demo-"))
    # The server's PostgreSQL does not run as root and must reach its own folder in here.
    os.chmod(folder, 0o711)
    try:
        return run(options, folder)
    finally:
        if options.keep:
            say(f"Kept: {folder}")
        else:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
