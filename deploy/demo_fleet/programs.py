"""The demonstration's own processes: started with their log in a file, stopped by their process id, never by name."""

import os
import signal
import socket
import subprocess
import sys
import time


class StartError(Exception):
    """A program could not be started or ended at once; the text says what its log's last lines are."""


def free_ports(base, count):
    """`count` ports on 127.0.0.1: base, base + 1, … where they are free, else any."""
    ports, held = [], []
    for wanted in range(base, base + count):
        door = socket.socket()
        held.append(door)
        try:
            # Connections of an earlier run that linger do not keep a server from listening.
            door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            door.bind(("127.0.0.1", wanted))
            door.listen(1)
        except OSError:
            door.close()
            door = socket.socket()
            door.bind(("127.0.0.1", 0))
            held.append(door)
        ports.append(door.getsockname()[1])
    for door in held:
        door.close()
    return ports


def clean_environment():
    """Without settings of Bayward's programs, which would go before what the demonstration states."""
    return {name: value for name, value in os.environ.items() if not name.startswith("BAYWARD_")}


class Program:
    """One running program. Of its own session, so that Ctrl-C reaches only the demonstration, which stops it in order."""

    def __init__(self, name, command, log):
        self.name, self.log = name, log
        with open(log, "ab") as out:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=out,
                                             env=clean_environment(), start_new_session=True)

    def check(self):
        """StartError where it has ended."""
        code = self._process.poll()
        if code is not None:
            raise StartError(f"{self.name} ended with {code}. The end of {self.log}:\n{self.log_end()}")

    def log_end(self, lines=15):
        with open(self.log, encoding="utf-8", errors="replace") as text:
            return "".join(text.readlines()[-lines:])

    def wait_until(self, condition, seconds, what):
        """Until `condition()` holds; StartError where the program ends or the time is up first."""
        deadline = time.monotonic() + seconds
        while not condition():
            self.check()
            if time.monotonic() > deadline:
                raise StartError(f"{self.name}: {what} was expected within {seconds} s. The end of {self.log}:\n"
                                 f"{self.log_end()}")
            time.sleep(0.1)

    def stop(self, seconds=30):
        """Asks it to stop and waits; a program that does not is killed, and that is said. Idempotent."""
        if self._process.poll() is not None:
            return
        self._process.send_signal(signal.SIGTERM)
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            print(f"{self.name} (process {self._process.pid}) did not stop within {seconds} s: killed",
                  file=sys.stderr)
            os.kill(self._process.pid, signal.SIGKILL)
            self._process.wait()
