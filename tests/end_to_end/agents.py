"""A bayward-agent as a process, and what stands in its spool."""

import contextlib
import dataclasses
import sqlite3

from harness import BIN, Program, wait_until

_SEQUENCE_BITS = 40


@dataclasses.dataclass(frozen=True)
class Recorded:
    """One entry of a spool. `epoch`: hexadecimal."""
    epoch: str
    sequence: int
    event: bytes


@dataclasses.dataclass
class Epoch:
    epoch: str
    predecessor: str
    boot: bytes
    entries: list  # of Recorded, in sequence

    @property
    def last(self):
        return self.entries[-1].sequence if self.entries else 0


class AgentProcess:
    """`sources`: the [[source]] tables as TOML; `options`: further flags by name."""

    def __init__(self, folder, name, server_address, sources, options=None):
        self.name = name
        self.folder = folder / name
        self.folder.mkdir(exist_ok=True)
        self.log = folder / f"{name}.log"
        self.config = self.folder / "agent.toml"
        self.config.write_text(f'[agent]\nname = "{name}"\ndata_dir = "spool"\n\n'
                               f'[uplink]\nserver = "{server_address}"\n\n{sources}')
        self.options = options or {}
        self.program = None
        self.starts = 0

    def start(self):
        flags = [f"--{flag}={value}" for flag, value in self.options.items()]
        self.program = Program(self.name, [BIN / "bayward-agent", "run", "--config", self.config, *flags], self.log)
        self.starts += 1
        return self

    def restart(self):
        return self.start()

    def wait_until_begun(self):
        """Until its sources run. Before, a signal ends it as it ends any program."""
        self.program.wait_until(lambda: self.program.log_text().count(": watches ") >= self.starts, 60,
                                f"{self.name} should have begun")

    def kill9(self):
        """It may die at any instant, also before it has begun."""
        self.program.kill9()
        self.starts = self.program.log_text().count(": watches ")

    def terminate(self):
        """Its exit code after an orderly stop."""
        self.wait_until_begun()
        return self.program.terminate()

    def dispose(self):
        if self.program is not None:
            self.program.dispose()

    def log_end(self, lines=60):
        return self.program.log_end(lines) if self.program else ""

    # ---- its spool

    def _read(self, query, *values):
        """Rows, or None where the spool is not there yet or being opened. Only while the agent runs: a reader
        alone would have to repair what a killed one left."""
        file = self.folder / "spool" / "spool.db"
        if not file.exists():
            return None
        try:
            with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=5)) as spool:
                return spool.execute(query, values).fetchall()
        except sqlite3.OperationalError:
            return None

    def recorded_after(self, place):
        """What was recorded after a place in the spool, and the last place; (None, place) where it cannot be
        read now."""
        rows = self._read("SELECT entry.place, lower(hex(epoch.id)), entry.event FROM entry JOIN epoch ON "
                          "epoch.number = entry.place >> ? WHERE entry.place > ? ORDER BY entry.place", _SEQUENCE_BITS, place)
        if rows is None:
            return None, place
        mask = (1 << _SEQUENCE_BITS) - 1
        return [Recorded(epoch, at & mask, event) for at, epoch, event in rows], rows[-1][0] if rows else place

    def ledger(self):
        """All that is in the spool, by epoch, oldest first."""
        rows = wait_until(lambda: self._read("SELECT lower(hex(id)), lower(hex(predecessor)), boot FROM epoch "
                                             "ORDER BY number"), 20, f"the spool of {self.name} should be readable")
        epochs = {row[0]: Epoch(*row, entries=[]) for row in rows}
        entries = wait_until(lambda: self.recorded_after(0)[0], 20, f"the spool of {self.name} should hold something")
        for entry in entries:
            epochs[entry.epoch].entries.append(entry)
        return list(epochs.values())
