"""The published interface as grpcio and Python's protobuf see it: an agent's side of the uplink that shares
no code with Bayward's own agent."""

import atexit
import importlib
import os
import pathlib
import queue
import shutil
import subprocess
import sys
import tempfile
import time

import grpc

from harness import PROTO, wait_until

PROTOCOL_VERSION = 1
US = 1_000_000
ANSWER_SECONDS = 30


def _load():
    folder = tempfile.mkdtemp(prefix="bayward-proto-", dir="/tmp")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    names = ["fault_class", "event", "uplink", "fleet", "figures"]
    files = sorted(path.name for path in (pathlib.Path(PROTO) / "bayward" / "v1").glob("*.proto"))
    subprocess.run(["protoc", f"-I{PROTO}", f"--python_out={folder}", *(f"bayward/v1/{name}" for name in files)],
                   check=True, timeout=60)
    sys.path.insert(0, folder)
    return [importlib.import_module(f"bayward.v1.{name}_pb2") for name in names]


fault_class_pb2, event_pb2, uplink_pb2, fleet_pb2, figures_pb2 = _load()
MODULE_OF = {"Fleet": fleet_pb2, "Figures": figures_pb2}


def condition_name(live):
    return fleet_pb2.Condition.Name(live.condition).removeprefix("CONDITION_").lower()


def fault_class(name):
    """By "subsystem.failure_mode"."""
    return fault_class_pb2.FaultClass.Value("FAULT_CLASS_" + name.replace(".", "_").upper())


class Recording:
    """Events of one epoch as an agent would record them. Times are seconds since 1970."""

    def __init__(self, predecessor=b"", boot=b"", booted_at=0.0):
        self.epoch, self.predecessor = os.urandom(16), predecessor
        self.boot, self.booted_at = boot or os.urandom(16), booted_at
        self.events = []

    def add(self, machine, at, recorded_at=None, **what):
        recorded_at = at if recorded_at is None else recorded_at
        event = event_pb2.Event(machine=machine, effective_at_us=round(at * US), recorded_at_us=round(recorded_at * US),
                                monotonic_us=round((recorded_at - self.booted_at) * US),
                                clock=event_pb2.CLOCK_STATE_SYNCED, **what)
        self.events.append(event.SerializeToString())
        return len(self.events)

    def starts(self, machine, at, faults=()):
        self.add(machine, at, observation_started={})
        shown = [{"fault_class": fault_class(name)} for name in faults]
        return self.add(machine, at, snapshot={"mode": event_pb2.MODE_IN_SERVICE, "faults": shown})

    def lost(self, machine, since, found_at):
        return self.add(machine, found_at, observation_lost={
            "from_us": round(since * US), "reason": event_pb2.LOSS_REASON_SOURCE_SILENT, "detail": "no answer"})

    def raised(self, machine, at, name, raw_code=""):
        return self.add(machine, at, fault_raised={"fault_class": fault_class(name), "raw_code": raw_code})

    def cleared(self, machine, at, name):
        return self.add(machine, at, fault_cleared={"fault_class": fault_class(name)})

    def wash(self, machine, began, ended, cycle, aborted_by=None):
        self.add(machine, began, cycle_started={"cycle": cycle, "programme": "brush"})
        outcome = event_pb2.CYCLE_OUTCOME_ABORTED if aborted_by else event_pb2.CYCLE_OUTCOME_COMPLETED
        return self.add(machine, ended, cycle_finished={
            "cycle": cycle, "outcome": outcome, "duration_us": round((ended - began) * US),
            "abort_cause": fault_class(aborted_by) if aborted_by else 0})

    def mode(self, machine, at, mode, reason=0):
        return self.add(machine, at, mode_changed={"mode": mode, "reason": reason, "by": "controller"})

    def held(self, last=None, oldest=1):
        return uplink_pb2.HeldEpoch(epoch=self.epoch, predecessor=self.predecessor, boot=self.boot,
                                    oldest_sequence=oldest, last_sequence=len(self.events) if last is None else last)


class Uplink:
    """One stream. `read` gives the server's next message, or None once the stream has ended; then `status`
    says how."""

    def __init__(self, address, hello):
        self._channel = grpc.insecure_channel(address, options=[("grpc.use_local_subchannel_pool", 1),
                                                                ("grpc.enable_http_proxy", 0)])
        connect = self._channel.stream_stream("/bayward.v1.Uplink/Connect",
                                              request_serializer=uplink_pb2.AgentMessage.SerializeToString,
                                              response_deserializer=uplink_pb2.ServerMessage.FromString)
        self._outgoing = queue.Queue()
        self._call = connect(iter(self._outgoing.get, None), timeout=240, wait_for_ready=True)
        if hello is not None:
            self.send(hello=hello)

    def send(self, **what):
        self._outgoing.put(uplink_pb2.AgentMessage(**what))

    def send_entries(self, epoch, entries):
        """`entries`: (sequence, serialized event)."""
        self.send(batch={"epoch": epoch,
                         "entries": [{"sequence": number, "event": event} for number, event in entries]})

    def send_batch(self, recording, first, last):
        """Sequences `first` to `last`."""
        self.send_entries(recording.epoch, enumerate(recording.events[first - 1:last], first))

    def heartbeat(self, recording, last, alive_until):
        self.send(heartbeat={"epoch": recording.epoch, "last_sequence": last, "alive_until_us": round(alive_until * US),
                             "wall_us": round(time.time() * US), "clock": event_pb2.CLOCK_STATE_SYNCED})

    def read(self):
        try:
            return next(self._call, None)
        except grpc.RpcError:
            return None

    @property
    def status(self):
        return self._call.code()

    @property
    def details(self):
        return self._call.details()

    def close(self):
        """Ends it as an agent does: no more to send, then the server's end."""
        self._outgoing.put(None)
        while self.read() is not None:
            pass
        self._channel.close()

    def abort(self):
        """As if the line broke."""
        self._call.cancel()
        self._outgoing.put(None)
        self._channel.close()


def make_hello(agent, held, booted_at=0.0, **other):
    now = time.time()
    return uplink_pb2.Hello(**{**dict(protocol_version=PROTOCOL_VERSION, agent=agent, agent_version="independent",
                                      boot=held[-1].boot if held else b"", monotonic_us=round((now - booted_at) * US),
                                      wall_us=round(now * US), clock=event_pb2.CLOCK_STATE_SYNCED, held=held), **other})


def connect(address, hello):
    """A stream that was welcomed, and the welcome. The end of an earlier stream may not have been seen
    yet."""
    def attempt():
        stream = Uplink(address, hello)
        message = stream.read()
        if message is not None:
            return stream, message.welcome
        if stream.status not in (grpc.StatusCode.ALREADY_EXISTS, grpc.StatusCode.UNAVAILABLE):
            raise AssertionError(f"no welcome: {stream.status} {stream.details}")
        stream.abort()
        return None
    return wait_until(attempt, ANSWER_SECONDS, "the server should welcome the agent")
