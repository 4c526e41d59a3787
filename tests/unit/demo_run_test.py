#!/usr/bin/python3
"""The demonstration's flow, with programs that only pretend: what it starts it stops, and it says what differs."""

import json
import os
import pathlib
import signal
import stat
import subprocess
import sys
import tempfile
import time
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
RUN = ROOT / "deploy" / "demo_fleet" / "run_demo.py"

# Answers from the generator's truth; one machine's down time is wrong if the folder holds a file "wrong".
SERVER = '''#!/usr/bin/python3
import http.server, json, pathlib, signal, sys
options = dict(zip(sys.argv[1::2], sys.argv[2::2]))
folder = pathlib.Path(options["--data-dir"]).parent
(folder / "server.pid").write_text(str(__import__("os").getpid()))
truth = json.loads((folder / "truth.json").read_text())

def camel(name):
    first, *rest = name.split("_")
    return first + "".join(word.capitalize() for word in rest)

def row(group, one):
    found = {camel(k): v for k, v in one.items() if v is not None}
    found["unknownLostSeconds"] = found.pop("unknownSeconds", 0)
    if one.get("outages_restored"):
        found["meanDownSeconds"] = one["restored_down_seconds"] / one["outages_restored"]
    return {"group": group, **found}

def answer(method, request):
    if method.endswith("ListSites"):
        if not (folder / "delivered").exists():
            return {}
        agents = [{"agent": a, "watermark": str(n), "backlogEvents": "0"} for a, n in truth["agents"].items()]
        return {"sites": [{"agents": agents}]}
    if method.endswith("GetAvailability"):
        key = "sites" if request["grouping"] == "GROUPING_SITE" else "machines"
        rows = [row(name, one) for name, one in truth[key].items()]
        if (folder / "wrong").exists() and key == "machines":
            rows[0]["downSeconds"] += 60
        return {"rows": rows, "total": row("total", truth["fleet"])}
    if method.endswith("RankFaults"):
        return {"rows": [row("fleet", one) for one in truth["ranking"]]}
    return {"total": "0"}

class Handler(http.server.BaseHTTPRequestHandler):
    def reply(self, kind, text):
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.end_headers()
        self.wfile.write(text.encode())
    def do_GET(self):
        names = [name.split("/") for name in truth["machines"]]
        text = "# HELP bayward_machine_condition What the machine does.\\n# TYPE bayward_machine_condition gauge\\n"
        text += "".join(f'bayward_machine_condition{{site="{s}",machine="{s}/{m}",condition="up"}} 1\\n' for s, m in names)
        self.reply("text/plain; version=0.0.4; charset=utf-8", text)
    def do_POST(self):
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.reply("application/json", json.dumps(answer(self.path, body)))
    def log_message(self, *_):
        pass

signal.signal(signal.SIGTERM, lambda *_: ((folder / "stopped").open("a").write("server "), sys.exit(0)))
host, port = options["--listen-http"].split(":")
http.server.ThreadingHTTPServer((host, int(port)), Handler).serve_forever()
'''

AGENT = '''#!/usr/bin/python3
import os, pathlib, signal, sys
folder = pathlib.Path(sys.argv[3]).parent.parent
(folder / "agent.pid").write_text(str(os.getpid()))
if (folder / "no-agent").exists():
    sys.exit("the spool cannot be opened")
signal.signal(signal.SIGTERM, lambda *_: ((folder / "stopped").open("a").write("agent "), sys.exit(0)))
(folder / "delivered").touch()
while True:
    signal.pause()
'''

CLIENT = "#!/bin/sh\necho client: \"$@\"\n"


class DemoTest(unittest.TestCase):
    def setUp(self):
        self._temporary = tempfile.TemporaryDirectory()
        self.build, self.data = (pathlib.Path(self._temporary.name) / name for name in ("build", "data"))
        (self.build / "bin").mkdir(parents=True)
        self.data.mkdir()
        for name, text in (("bayward-server", SERVER), ("bayward-agent", AGENT), ("bayward", CLIENT)):
            path = self.build / "bin" / name
            path.write_text(text)
            path.chmod(path.stat().st_mode | stat.S_IXUSR)

    def tearDown(self):
        self._temporary.cleanup()

    def command(self, *more):
        return [sys.executable, str(RUN), "--build-dir", str(self.build), "--data", str(self.data), "--sites", "3",
                "--days", "6", *more]

    def once(self, *more):
        return subprocess.run(self.command("--once", *more), capture_output=True, text=True, timeout=60)

    def expect_all_stopped(self, programs=("agent", "server")):
        for name in programs:
            pid = int((self.data / f"{name}.pid").read_text())
            with self.assertRaises(ProcessLookupError, msg=name):
                os.kill(pid, 0)

    def test_equal_figures_end_with_0_and_everything_stopped_the_agent_first(self):
        done = self.once()
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertIn("client: --server 127.0.0.1:", done.stdout)
        self.expect_all_stopped()
        self.assertEqual((self.data / "stopped").read_text(), "agent server ")

    def test_a_difference_ends_with_1_and_is_named(self):
        (self.data / "wrong").touch()
        done = self.once()
        self.assertEqual(done.returncode, 1)
        machine = next(iter(json.loads((self.data / "truth.json").read_text())["machines"]))
        self.assertRegex(done.stdout, rf"1 differences[^\n]*\n  machine {machine}: down should be")
        self.expect_all_stopped()

    def test_a_program_that_ends_is_told_with_its_last_words(self):
        (self.data / "no-agent").touch()
        done = self.once()
        self.assertEqual(done.returncode, 1)
        self.assertIn("the spool cannot be opened", done.stderr)
        self.expect_all_stopped()

    def test_a_kept_folder_is_gone_on_with_and_another_fleet_refused(self):
        self.assertEqual(self.once().returncode, 0)
        (self.data / "delivered").unlink()
        before = (self.data / "truth.json").read_bytes()
        again = self.once()
        self.assertEqual(again.returncode, 0, again.stdout + again.stderr)
        self.assertIn("Going on", again.stdout)
        self.assertEqual((self.data / "truth.json").read_bytes(), before)
        other = self.once("--seed", "5")
        self.assertEqual(other.returncode, 1)
        self.assertIn("holds another fleet", other.stderr)

    def test_it_stays_until_it_is_interrupted(self):
        demo = subprocess.Popen(self.command(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        deadline = time.monotonic() + 60
        said = ""
        while "Ctrl-C stops it" not in said and time.monotonic() < deadline:
            line = demo.stdout.readline()
            if not line:
                break
            said += line
        demo.send_signal(signal.SIGINT)
        rest, _ = demo.communicate(timeout=60)
        self.assertEqual(demo.returncode, 0, said + rest)
        self.assertIn("/metrics", said)
        self.expect_all_stopped()


if __name__ == "__main__":
    unittest.main()
