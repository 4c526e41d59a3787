"""What the end-to-end tests stand on: programs that are ended by their process id, folders that are removed,
waiting with a deadline. A test that fails shows the end of every program's log."""

import concurrent.futures
import os
import pathlib
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("BAYWARD_BIN_DIR", ROOT / "build/quick/bin"))
PROTO = pathlib.Path(os.environ.get("BAYWARD_PROTO_DIR", ROOT / "proto"))

POLL_SECONDS = 0.05

# All programs are started by one thread that lives as long as the test: the signal at the parent's death
# means the death of the thread that started them.
_STARTER = concurrent.futures.ThreadPoolExecutor(1)


class Late(AssertionError):
    """Something did not happen in time."""


def wait_until(condition, seconds, what):
    """The first true value of `condition()`, asked again and again; Late after `seconds`. `what` names what
    is waited for, or is a function that says what was found last."""
    deadline = time.monotonic() + seconds
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > deadline:
            raise Late(f"within {seconds} s: {what() if callable(what) else what}")
        time.sleep(POLL_SECONDS)


def free_ports(count):
    """Ports of 127.0.0.1 that nobody listens on, below those that the kernel gives to clients: a program that
    is started again gets its old one."""
    ports = []
    while len(ports) < count:
        port = random.SystemRandom().randrange(20000, 32000)
        with socket.socket() as door:
            try:
                door.bind(("127.0.0.1", port))
            except OSError:
                continue
        if port not in ports:
            ports.append(port)
    return ports


def alive(pid):
    """Whether the process runs; one that has ended and waits to be reaped does not."""
    try:
        return pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def kill_and_wait(pids, seconds=20):
    for pid in pids:
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
    wait_until(lambda: not any(map(alive, pids)), seconds, f"processes {pids} should have ended")


class Program:
    """A program that runs, its standard output and error in a log file. It is told to stop where the test
    itself is killed. `feed`: its standard input is a pipe."""

    def __init__(self, name, command, log, feed=False, environment=None):
        self.name, self.log = name, pathlib.Path(log)
        with open(log, "ab") as out:
            self.process = _STARTER.submit(
                subprocess.Popen, ["/usr/bin/setpriv", "--pdeathsig", "TERM", *map(str, command)], stderr=out,
                stdin=subprocess.PIPE if feed else subprocess.DEVNULL, stdout=subprocess.PIPE if feed else out,
                env={**os.environ, **(environment or {})}).result()

    @property
    def pid(self):
        return self.process.pid

    def running(self):
        return self.process.poll() is None

    def log_text(self):
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def log_end(self, lines=60):
        return "\n".join(self.log_text().splitlines()[-lines:])

    def wait_until(self, condition, seconds, what):
        """As above, but not longer than the program runs."""
        def look():
            value = condition()
            if not value and not self.running():
                raise Late(f"{self.name} ended with {self.process.returncode}; its log ends:\n{self.log_end()}")
            return value
        return wait_until(look, seconds, what)

    def kill9(self):
        if self.running():
            os.kill(self.pid, signal.SIGKILL)
        self.process.wait()

    def terminate(self, seconds=40):
        """Its exit code after SIGTERM; one that does not stop is killed, and that is a failure."""
        if self.running():
            os.kill(self.pid, signal.SIGTERM)
            try:
                self.process.wait(seconds)
            except subprocess.TimeoutExpired:
                self.kill9()
                raise Late(f"{self.name} did not stop within {seconds} s of SIGTERM; its log ends:\n"
                           f"{self.log_end()}") from None
        return self.process.returncode

    def dispose(self):
        """Ends it whatever it takes."""
        try:
            self.terminate()
        except Late as late:
            print(late, file=sys.stderr)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


class EndToEndTest(unittest.TestCase):
    """Has a folder of its own, and shows the programs' logs where it fails."""

    maxDiff = None

    def run(self, result=None):
        self._logs = []
        before = len(result.failures) + len(result.errors) if result else 0
        super().run(result)
        if result and len(result.failures) + len(result.errors) > before:
            for name, end in self._logs:
                print(f"--- the end of {name}'s log, {self.id()}\n{end}\n---", file=sys.stderr)

    def setUp(self):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="bayward-e2e-", dir="/tmp"))
        self.folder.chmod(0o711)  # the cluster's user must be able to pass through
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)

    def use(self, thing):
        """Disposes of `thing`, a program or what stands for one, when the test ends."""
        def end():
            try:
                thing.dispose()
            finally:
                self._logs.append((thing.name, thing.log_end()))
        self.addCleanup(end)
        return thing
