"""One agent that polls a controller of 100 signals twice a second and delivers to a server, beside an idle program with
the same libraries."""
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time

from bench_server import Server, cpu_seconds, memory_mib

ROOT = pathlib.Path(__file__).resolve().parents[2]
COILS, REGISTERS = 60, 40
SECONDS = 60
CHANGE_SECONDS = 15  # oftener would be chatter, which an agent makes one fault of


def code_book():
    """100 signals, scattered, each of them a fault."""
    text = ['name = "bench"', 'version = "1"', 'source = "modbus"']
    for i in range(COILS):
        text += ["[[signal]]", f'name = "c{i}"', 'table = "coil"', f"address = {100 + 3 * i}",
                 "[[fault]]", 'class = "brushes.rotation_failed"', f'signal = "c{i}"',
                 'on_delay = "0s"', 'off_delay = "0s"']
    for i in range(REGISTERS):
        text += ["[[signal]]", f'name = "r{i}"', 'table = "holding_register"', f"address = {400 + 2 * i}",
                 "[[fault]]", 'class = "dosing.empty"', f'signal = "r{i}"', "bit = 4", 'on_delay = "2s"']
    return "\n".join(text) + "\n"


def configuration(server, port):
    return f"""[agent]
name = "bench-0001"
data_dir = "spool"
[uplink]
server = "{server.agents}"
[[source]]
name = "controller"
kind = "modbus"
host = "127.0.0.1"
port = {port}
poll = "500ms"
[[source.machine]]
machine = "bay-1"
codebook = "bench.toml"
"""


class Controller:
    """Commands as modbus_controller.py states them."""

    def __init__(self):
        self.process = subprocess.Popen([sys.executable, ROOT / "tests/integration/modbus_controller.py"], text=True,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.port = int(self.process.stdout.readline().removeprefix("port "))

    def do(self, command):
        self.process.stdin.write(command + "\n")
        self.process.stdin.flush()
        self.process.stdout.readline()

    def stop(self):
        self.process.stdin.close()
        self.process.wait(10)


def measure(programs, _events):
    directory = pathlib.Path(tempfile.mkdtemp(prefix="bayward-bench-", dir="/tmp"))
    os.chmod(directory, 0o711)
    controller, server = Controller(), Server(programs, directory, 1)
    idle = subprocess.Popen([programs / "bayward-idle"], stdin=subprocess.PIPE)
    (directory / "bench.toml").write_text(code_book())
    (directory / "agent.toml").write_text(configuration(server, controller.port))
    with open(directory / "agent.log", "w") as log:
        agent = subprocess.Popen([programs / "bayward-agent", "run", "--config", directory / "agent.toml"], stderr=log)
    try:
        time.sleep(5)
        before = cpu_seconds([agent.pid])
        changes = SECONDS // CHANGE_SECONDS
        for change in range(changes):  # a fault begins or ends
            controller.do(f"set 1 coil 100 {1 - change % 2}")
            time.sleep(CHANGE_SECONDS)
        share = 100 * (cpu_seconds([agent.pid]) - before) / SECONDS
        delivered = int(server.psql("SELECT count(*) FROM event"))
        if delivered < 2 + changes:  # the start of observation and a snapshot before
            raise SystemExit(f"{delivered} events were delivered, at least {2 + changes} expected:\n" +
                             (directory / "agent.log").read_text())
        (resident, anonymous), (idle_resident, idle_anonymous) = memory_mib(agent.pid), memory_mib(idle.pid)

        def row(name, value, unit, yardstick, ratio):
            return {"name": name, "value": value, "unit": unit, "yardstick": yardstick, "ratio": ratio}

        return [
            row("agent.resident", resident, "MiB", f"idle program, {idle_resident:.1f} MiB", resident / idle_resident),
            row("agent.anonymous", anonymous, "MiB", f"idle program, {idle_anonymous:.1f} MiB", anonymous / idle_anonymous),
            row("agent.cpu", share, "% of a core", "1 %", share),
        ]
    finally:
        for process in (agent, idle):
            process.terminate()
            process.wait(30)
        controller.stop()
        server.stop()
        shutil.rmtree(directory, ignore_errors=True)
