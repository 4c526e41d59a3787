"""The parts of the exactly-once campaign: controllers that print facts, what is compared, and the undisturbed
delivery."""

import json
import random
import threading
import time

import protocol
from protocol import event_pb2, make_hello, uplink_pb2

CODE_BOOK = """
name = "campaign"
version = "1"
source = "lines"

[lines]
machine = "/machine"
code = "/code"
raised = { "/kind" = "alarm", "/state" = "on" }
cleared = { "/kind" = "alarm", "/state" = "off" }

[[fault]]
class = "air_supply.pressure_low"
code = "A1"

[[fault]]
class = "conveyor.pusher_jammed"
code = "A2"

[[fault]]
class = "doors.obstructed"
code = "A3"

[[fault]]
class = "power.mains_lost"
code = "A4"

[[fault]]
class = "dosing.empty"
code = "A5"

[cycle]
started = { "/kind" = "wash", "/phase" = "in" }
finished = { "/kind" = "wash", "/phase" = "out" }
aborted = { "/kind" = "wash", "/phase" = "stopped" }
id = "/ticket"
longest = "30m"

[mode]
in_service = { "/kind" = "mode", "/value" = "open" }

[[mode.closed]]
when = { "/kind" = "mode", "/value" = "closed" }
reason = "other"
"""
CODES = ["A1", "A2", "A3", "A4", "A5"]
FEED_PAUSE = (0.02, 0.08)
REPLAY_BATCH = 200


class Feeder(threading.Thread):
    """Controllers of one site that print numbered facts, whether anybody reads them or not. It looks into the
    agent's spool all the while: what was seen there once is recorded, and must never be lost or changed."""

    def __init__(self, agent, path, machines, seed):
        super().__init__(name=f"feeder of {agent.name}", daemon=True)
        self.agent, self.path, self.machines = agent, path, machines
        self.random = random.Random(seed)
        self.stop_asked = threading.Event()
        self.confirmed = {}  # (epoch, sequence): event
        self.changed = []    # what was seen twice, and differed
        self.lines = 0
        self._washes = {machine: [] for machine in machines}
        self._alarms = {machine: set() for machine in machines}
        self._closed = {machine: False for machine in machines}
        self._place = 0
        path.touch()

    def run(self):
        with open(self.path, "a", encoding="utf-8") as file:
            while not self.stop_asked.wait(self.random.uniform(*FEED_PAUSE)):
                self._print(file, self.random.choice(self.machines))
                if self.lines % 16 == 0:
                    self.confirm()

    def confirm(self):
        """Reads what is new in the spool. A place is looked at twice, so that a change would be seen."""
        if not self.agent.program.running():
            return
        entries, place = self.agent.recorded_after(max(0, self._place - 50))
        for entry in entries or ():
            key = (entry.epoch, entry.sequence)
            if self.confirmed.setdefault(key, entry.event) != entry.event:
                self.changed.append(key)
        self._place = max(self._place, place)

    def wash_on_every_machine(self):
        """One complete wash each, whatever else holds; the last one's ticket."""
        with open(self.path, "a", encoding="utf-8") as file:
            for machine in self.machines:
                ticket = self._ticket(machine)
                self._write(file, machine, kind="wash", phase="in", ticket=ticket)
                self._write(file, machine, kind="wash", phase="out", ticket=ticket)
        return ticket

    def _print(self, file, machine):
        washes, alarms = self._washes[machine], self._alarms[machine]
        what = self.random.random()
        if what < 0.35 and len(washes) < 3:
            washes.append(self._ticket(machine))
            self._write(file, machine, kind="wash", phase="in", ticket=washes[-1])
        elif what < 0.7 and washes:
            ticket = washes.pop(self.random.randrange(len(washes)))
            self._write(file, machine, kind="wash", phase=self.random.choice(["out"] * 4 + ["stopped"]), ticket=ticket)
        elif what < 0.95:
            code = self.random.choice(CODES)
            alarms ^= {code}
            self._write(file, machine, kind="alarm", state="on" if code in alarms else "off", code=code)
        else:
            self._closed[machine] = not self._closed[machine]
            self._write(file, machine, kind="mode", value="closed" if self._closed[machine] else "open")

    def _ticket(self, machine):
        return f"{self.agent.name}-{machine}-{self.lines}"

    def _write(self, file, machine, **fields):
        self.lines += 1
        file.write(json.dumps({"machine": machine, "number": self.lines, **fields}) + "\n")
        file.flush()


def sources(feed, book, machines):
    text = f'[[source]]\nname = "controllers"\nkind = "lines"\npath = "{feed}"\n'
    for machine in machines:
        text += f'\n[[source.machine]]\nmachine = "{machine}"\nas = "{machine}"\ncodebook = "{book}"\n'
    return text


def stored_events(server, agent):
    """{epoch: [(sequence, occurred, effective, payload)]} in the order of sequences; times in
    microseconds."""
    rows = server.sql(
        "SELECT encode(ep.epoch, 'hex'), ev.sequence, (extract(epoch FROM ev.occurred_at) * 1000000)::bigint, "
        "(extract(epoch FROM ev.effective_at) * 1000000)::bigint, encode(ev.payload, 'hex') FROM event ev "
        "JOIN agent_epoch ep USING (epoch_id) JOIN agent ag ON ag.agent_id = ep.agent_id "
        f"WHERE ag.key = '{agent}' ORDER BY ep.epoch_id, ev.sequence")
    stored = {}
    for epoch, sequence, occurred, effective, payload in rows:
        stored.setdefault(epoch, []).append((int(sequence), int(occurred), int(effective), bytes.fromhex(payload)))
    return stored


def washes_of(ledger):
    """{(machine, cycle): outcome} of the ends of washes in an agent's ledger; a list of those that stand
    there twice."""
    found, twice = {}, []
    for epoch in ledger:
        for entry in epoch.entries:
            event = event_pb2.Event.FromString(entry.event)
            if event.WhichOneof("what") != "cycle_finished":
                continue
            key = (event.machine, event.cycle_finished.cycle)
            if event.cycle_finished.outcome == event_pb2.CYCLE_OUTCOME_ABANDONED:
                continue
            if key in found:
                twice.append(key)
            found[key] = event.cycle_finished.outcome
    return found, twice


def deliver_undisturbed(server, agent, ledger, stored):
    """The events of `ledger` with the times at which they were stored, one after another over one stream."""
    held = []
    for epoch in ledger:
        held.append(uplink_pb2.HeldEpoch(epoch=bytes.fromhex(epoch.epoch), predecessor=bytes.fromhex(epoch.predecessor),
                                         boot=epoch.boot, oldest_sequence=1, last_sequence=epoch.last))
    stream, welcome = protocol.connect(server.agents_address, make_hello(agent, held))
    assert [resume.sequence for resume in welcome.resume] == [0] * len(held), welcome
    for epoch in ledger:
        entries = []
        for sequence, occurred, effective, payload in stored.get(epoch.epoch, []):
            event = event_pb2.Event.FromString(payload)
            event.recorded_at_us, event.effective_at_us = occurred, effective
            event.clock = event_pb2.CLOCK_STATE_SYNCED
            entries.append((sequence, event.SerializeToString()))
        for begin in range(0, len(entries), REPLAY_BATCH):
            part = entries[begin:begin + REPLAY_BATCH]
            stream.send_entries(bytes.fromhex(epoch.epoch), part)
            answer = stream.read()
            assert answer is not None and answer.WhichOneof("what") == "ack", (answer, stream.details)
            assert answer.ack.through_sequence == part[-1][0] and answer.ack.rejected == 0, answer
    stream.close()


def figures(server, window):
    """All that is computed of the window, as comparable values. How long an outage that has not ended has
    lasted is left out: it grows while one looks."""
    availability = server.call("Figures/GetAvailability", window=window, grouping="GROUPING_MACHINE")
    ranking = server.call("Figures/RankFaults", window=window, grouping="GROUPING_MACHINE")
    outages = server.call("Figures/ListOutages", window=window, rowsMax=10000)
    for outage in outages.outages:
        if outage.restored_us == 0:
            outage.down_seconds = 0
    return {"availability": [str(row) for row in [*availability.rows, availability.total]],
            "ranking": [str(row) for row in ranking.rows], "outages": sorted(map(str, outages.outages)),
            "number of outages": outages.total}


def rfc3339(seconds):
    return time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(seconds))
