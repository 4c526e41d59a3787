#!/usr/bin/python3
"""A real Prometheus scrapes the server, and promtool finds nothing wrong with what it gets."""

import datetime
import json
import subprocess
import time
import unittest
import urllib.parse
import urllib.request

import fleets
import protocol
from harness import EndToEndTest, Program, free_ports, wait_until
from protocol import Recording, make_hello
from servers import Server

CONDITIONS = {"up", "degraded", "down", "withheld", "unknown", "not_required"}
_OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


class Prometheus:
    def __init__(self, folder, target):
        self.name = "prometheus"
        self.address = f"127.0.0.1:{free_ports(1)[0]}"
        config = folder / "prometheus.yml"
        config.write_text(json.dumps({  # JSON is YAML
            "global": {"scrape_interval": "1s", "scrape_timeout": "1s"},
            "scrape_configs": [{"job_name": "bayward", "static_configs": [{"targets": [target]}]}]}))
        subprocess.run(["promtool", "check", "config", config], check=True, capture_output=True, timeout=60)
        self.program = Program(self.name, ["/usr/bin/prometheus", f"--config.file={config}", f"--web.listen-address="
                                           f"{self.address}", f"--storage.tsdb.path={folder / 'prometheus'}"],
                               folder / "prometheus.log")

    def query(self, expression):
        """Its present result: [{"metric": …, "value": [time, text]}]; empty where it does not answer yet."""
        url = f"http://{self.address}/api/v1/query?" + urllib.parse.urlencode({"query": expression})
        try:
            with _OPENER.open(url, timeout=10) as answer:
                return json.load(answer)["data"]["result"]
        except OSError:
            return []

    def dispose(self):
        self.program.dispose()

    def log_end(self):
        return self.program.log_end()


class PrometheusTest(EndToEndTest):
    def setUp(self):
        super().setUp()
        self.server = self.use(Server(self.folder)).start()
        since = datetime.date.today() - datetime.timedelta(days=2)
        self.server.declare(fleets.site("meadow", "meadow-box", ["bay-1", "bay-2"], since))
        recording, now = Recording(), time.time()
        recording.starts("bay-1", now - 60)
        recording.starts("bay-2", now - 60)
        recording.wash("bay-1", now - 50, now - 20, "w1")
        recording.raised("bay-1", now - 10, "air_supply.pressure_low")
        self.stream, _ = protocol.connect(self.server.agents_address, make_hello("meadow-box", [recording.held()]))
        self.addCleanup(self.stream.abort)
        self.stream.send_batch(recording, 1, len(recording.events))
        self.assertEqual(self.stream.read().ack.through_sequence, len(recording.events))
        self.recording = recording

    def beat(self):
        """So that the agent counts as heard while something is waited for."""
        self.stream.heartbeat(self.recording, len(self.recording.events), time.time())

    def test_prometheus_scrapes_the_server(self):
        prometheus = self.use(Prometheus(self.folder, self.server.http_address))

        def values(expression):
            self.beat()
            return {tuple(sorted(row["metric"].items())): float(row["value"][1])
                    for row in prometheus.query(expression)}

        found = wait_until(lambda: values('up{job="bayward"} == 1'), 60, "Prometheus should find the server up")
        self.assertEqual(list(found.values()), [1])
        wait_until(lambda: {dict(labels)["machine"]: dict(labels)["condition"] for labels in
                            values("bayward_machine_condition == 1")} ==
                   {"meadow/bay-1": "down", "meadow/bay-2": "up"}, 30,
                   lambda: f"one machine down, one up; found {values('bayward_machine_condition == 1')}")
        series = [dict(labels) for labels in values("bayward_machine_condition")]
        self.assertEqual({(row["machine"], row["condition"]) for row in series},
                         {(f"meadow/{bay}", condition) for bay in ("bay-1", "bay-2") for condition in CONDITIONS})
        self.assertEqual(sorted(values("sum by (machine) (bayward_machine_condition)").values()), [1, 1])
        growth = 'increase(bayward_machine_condition_seconds_total{machine="meadow/bay-1",condition="down"}[30s])'
        wait_until(lambda: min(values(growth).values(), default=0) > 0, 40, "down time should grow while the fault stands")
        counted = values("sum(bayward_ingest_events_total)")
        self.assertEqual(list(counted.values()), [len(self.recording.events)])

    def test_promtool_finds_nothing_wrong(self):
        status, headers, text = self.server.get("/metrics")
        self.assertEqual(status, 200)
        self.assertRegex(headers["Content-Type"], r"^text/plain; version=0\.0\.4(; charset=utf-8)?$")
        done = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, text=True, timeout=60)
        self.assertEqual((done.returncode, done.stdout + done.stderr), (0, ""), text)
        for line in text.splitlines():
            if not line.startswith("#"):
                self.assertRegex(line, r"^(bayward|process)_[a-z0-9_]+(\{.*\})? \S+$")
        self.assertIn("\n# HELP bayward_machine_condition ", "\n" + text)

    def test_series_of_a_machine_that_is_removed_disappear(self):
        def series(machine):
            return [key for key in self.server.metrics() if ("machine", machine) in key[1]]
        wait_until(lambda: series("meadow/bay-2") and series("meadow/bay-1"), 20, "both machines should have series")
        since = datetime.date.today() - datetime.timedelta(days=2)
        self.server.declare(fleets.site("meadow", "meadow-box", ["bay-1"], since), allow_drop=True)
        wait_until(lambda: not series("meadow/bay-2"), 20,
                   lambda: f"no series expected, found {series('meadow/bay-2')}")
        self.assertTrue(series("meadow/bay-1"))


if __name__ == "__main__":
    unittest.main()
