#!/usr/bin/python3
"""An agent that is not Bayward's (grpcio, over the published interface) delivers a day, with all that may go
wrong on the way; the figures are those that were computed by hand."""

import collections
import datetime
import socket
import time
import unittest

import grpc

import fleets
import protocol
from harness import EndToEndTest
from protocol import Recording, Uplink, event_pb2, fault_class_pb2, make_hello
from servers import CallError, Server

AGENT = "meadow-box"
ZONE = "Asia/Tashkent"  # UTC+5 all year: civil days that are not UTC's, and no clock change to reckon with
ZONE_HOURS = 5
BATCH = 5


class Day:
    """The day that is delivered, three days ago: open from 06:00 to 22:00; afterwards always."""

    def __init__(self):
        now = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(hours=ZONE_HOURS)
        self.date = now.date() - datetime.timedelta(days=3)
        self.next = self.date + datetime.timedelta(days=1)
        midnight = datetime.datetime.combine(self.date, datetime.time(), datetime.timezone.utc)
        self.midnight = midnight.timestamp() - ZONE_HOURS * 3600
        self.window = {"from": str(self.date), "to": str(self.next)}

    def at(self, clock):
        """"HH:MM" of the day, also beyond 24:00."""
        hour, minute = map(int, clock.split(":"))
        return self.midnight + hour * 3600 + minute * 60

    def fleet(self):
        since = self.date - datetime.timedelta(days=10)
        opening = fleets.hours(since, "06:00-22:00", self.next) + "\n" + fleets.hours(self.next, fleets.ALL_DAY)
        return fleets.site("meadow", AGENT, ["bay-1", "bay-2"], since, zone=ZONE, opening=opening)


def record(day):
    """What happened, in the order of its recording. In required time (57,600 s of each machine):

    bay-1   down       08:00-09:30 air pressure (5,400 s), with a module lost 09:00-09:20 (1,200 s) in it
                       16:00-16:10 door obstructed, a customer's (600 s)
                       21:30-22:00 motor overload, until 23:00 (1,800 s)
            degraded   10:00-12:00 dosing empty (7,200 s)
            withheld   13:00-13:30 no mains (1,800 s), 14:00-15:00 closed for upkeep (3,600 s)
            unknown    17:00-17:45 source silent (2,700 s)
            up         the rest: 57,600 - 7,800 - 7,200 - 5,400 - 2,700 = 34,500 s
            washes     two complete, one aborted
    bay-2   up         57,600 s; one wash
    """
    recording, at = Recording(booted_at=day.midnight), day.at
    recording.starts("bay-1", at("05:00"))
    recording.starts("bay-2", at("05:00"))
    recording.wash("bay-1", at("07:00"), at("07:06"), "w1")
    recording.raised("bay-1", at("08:00"), "air_supply.pressure_low", raw_code="E07")
    recording.raised("bay-1", at("09:00"), "controls.module_lost")
    recording.cleared("bay-1", at("09:20"), "controls.module_lost")
    recording.cleared("bay-1", at("09:30"), "air_supply.pressure_low")
    recording.raised("bay-1", at("10:00"), "dosing.empty")
    recording.wash("bay-2", at("10:10"), at("10:15"), "w1")
    recording.cleared("bay-1", at("12:00"), "dosing.empty")
    recording.raised("bay-1", at("13:00"), "power.mains_lost")
    recording.cleared("bay-1", at("13:30"), "power.mains_lost")
    recording.mode("bay-1", at("14:00"), event_pb2.MODE_CLOSED, event_pb2.MODE_REASON_UPKEEP)
    recording.mode("bay-1", at("15:00"), event_pb2.MODE_IN_SERVICE)
    recording.raised("bay-1", at("16:00"), "doors.obstructed")
    recording.cleared("bay-1", at("16:10"), "doors.obstructed")
    recording.lost("bay-1", at("17:00"), found_at=at("17:45"))
    recording.starts("bay-1", at("17:45"))
    recording.wash("bay-1", at("18:00"), at("18:04"), "w2", aborted_by="doors.obstructed")
    recording.wash("bay-1", at("19:00"), at("19:05"), "w3")
    recording.raised("bay-1", at("21:30"), "drive.motor_overload_tripped", raw_code="W1.0")
    recording.cleared("bay-1", at("23:00"), "drive.motor_overload_tripped")
    recording.wash("bay-1", at("32:00"), at("32:05"), "w4")
    recording.wash("bay-2", at("32:00"), at("32:05"), "w2")
    return recording


class IndependentAgentTest(EndToEndTest):
    def setUp(self):
        super().setUp()
        self.day = Day()
        self.server = self.use(Server(self.folder, options={"ingest-heartbeat-interval": "10s"})).start()
        self.server.declare(self.day.fleet())

    def connect(self, recording, last=None):
        hello = make_hello(AGENT, [recording.held(last)], recording.booted_at)
        return protocol.connect(self.server.agents_address, hello)

    def expect_ack(self, stream, through):
        message = stream.read()
        self.assertIsNotNone(message, stream.details if message is None else "")
        self.assertEqual(message.WhichOneof("what"), "ack", message)
        self.assertEqual(message.ack.through_sequence, through)
        self.assertEqual(message.ack.rejected, 0)

    def deliver(self, stream, recording, first, last):
        for begin in range(first, last + 1, BATCH):
            end = min(begin + BATCH - 1, last)
            stream.send_batch(recording, begin, end)
            self.expect_ack(stream, end)

    def stored(self):
        return self.server.number("SELECT count(*) FROM event")

    def test_delivers_a_day_with_all_that_goes_wrong_on_the_way(self):
        recording = record(self.day)
        count = len(recording.events)
        stream, welcome = self.connect(recording, last=15)
        self.assertEqual([(r.epoch, r.sequence, r.superseded) for r in welcome.resume], [(recording.epoch, 0, False)])
        self.assertEqual(welcome.protocol_version, protocol.PROTOCOL_VERSION)
        self.assertGreater(welcome.batch_events_max, BATCH)
        self.assertLess(abs(welcome.server_time_us / protocol.US - time.time()), 60)

        with self.subTest("a batch is stored, and acknowledged once it is"):
            stream.send_batch(recording, 1, 8)
            self.expect_ack(stream, 8)
            self.assertEqual(self.stored(), 8)
        with self.subTest("the same batch again changes nothing"):
            stream.send_batch(recording, 1, 8)
            self.expect_ack(stream, 8)
            self.assertEqual(self.stored(), 8)
        with self.subTest("an overlapping batch is trimmed"):
            stream.send_batch(recording, 6, 12)
            self.expect_ack(stream, 12)
            self.assertEqual(self.stored(), 12)
        with self.subTest("a gap is refused with the sequence expected"):
            stream.send_batch(recording, 14, 15)
            refused = stream.read()
            self.assertEqual(refused.WhichOneof("what"), "resume_after", refused)
            self.assertEqual((refused.resume_after.epoch, refused.resume_after.sequence), (recording.epoch, 12))
            self.assertIn("13", refused.resume_after.reason)
            self.assertEqual(self.stored(), 12)
        with self.subTest("a stream that breaks is resumed where it was"):
            stream.abort()
            stream, welcome = self.connect(recording)
            self.assertEqual([(r.epoch, r.sequence) for r in welcome.resume], [(recording.epoch, 12)])
            self.deliver(stream, recording, 13, count)
            self.assertEqual(self.stored(), count)
        self.assertEqual([list(map(int, row)) for row in self.server.sql("SELECT sequence FROM event ORDER BY 1")],
                         [[number] for number in range(1, count + 1)])
        stored = self.server.sql("SELECT encode(payload, 'hex') FROM event ORDER BY sequence")
        self.assertEqual([bytes.fromhex(row[0]) for row in stored], recording.events)
        stream.close()
        self.check_availability()
        self.check_ranking()
        self.check_outages(recording)
        self.check_counts()

    def check_availability(self):
        answer = self.server.call("Figures/GetAvailability", window=self.day.window, grouping="GROUPING_MACHINE")
        rows = {row.group: row for row in answer.rows}
        self.assertEqual(set(rows), {"meadow/bay-1", "meadow/bay-2"})
        expected = {
            "machines": 1, "required_seconds": 57600, "up_seconds": 34500, "degraded_seconds": 7200,
            "down_seconds": 7800, "withheld_seconds": 5400, "withheld_upkeep_seconds": 3600, "unknown_lost_seconds": 2700,
            "unknown_pending_seconds": 0, "excluded_seconds": 0, "down_internal_seconds": 7200,
            "down_user_seconds": 600, "down_people_seconds": 0, "availability": 41700 / 49500, "availability_low": 41700 / 52200,
            "availability_high": 44400 / 52200, "service_availability": 41700 / 54900,
            "availability_iec": 41700 / 53100,
            "outages": 2, "failures": 2, "failures_unobserved": 0, "found_at_opening": 0, "user_outages": 1,
            "people_outages": 0, "mtbf_seconds": 20850, "mean_down_seconds": 2600, "outages_restored": 3,
            "cycles_completed": 2, "cycles_aborted": 1, "contradictory_cycles": 0,
            # 2 U / chi-square: its 95 % point of 6 and its 5 % point of 4 degrees of freedom (tables)
            "mtbf_lower_seconds": 83400 / 12.5916, "mtbf_upper_seconds": 83400 / 0.710723,
        }
        self.check_row(rows["meadow/bay-1"], expected)
        self.check_row(rows["meadow/bay-2"], {
            "required_seconds": 57600, "up_seconds": 57600, "down_seconds": 0, "availability": 1, "failures": 0,
            # No failures: a one-sided limit, U / -ln 0.1
            "cycles_completed": 1, "cycles_aborted": 0, "mtbf_lower_seconds": 57600 / 2.302585})
        self.assertFalse(rows["meadow/bay-2"].HasField("mtbf_seconds"))
        self.assertFalse(rows["meadow/bay-2"].HasField("mtbf_upper_seconds"))
        self.check_row(answer.total, {
            "machines": 2, "required_seconds": 115200, "up_seconds": 92100, "degraded_seconds": 7200,
            "down_seconds": 7800, "availability": 99300 / 107100, "failures": 2, "outages": 2, "user_outages": 1,
            "mtbf_seconds": 49650, "cycles_completed": 3})
        self.assertFalse(answer.total.provisional)
        self.assertEqual(answer.to_us - answer.from_us, 86400 * protocol.US)
        self.assertEqual(answer.from_us, round(self.day.midnight * protocol.US))

    def check_row(self, row, expected):
        for field, value in expected.items():
            with self.subTest(field, group=row.group):
                self.assertAlmostEqual(getattr(row, field), value, delta=max(1e-6, 2e-5 * value))

    def check_ranking(self):
        answer = self.server.call("Figures/RankFaults", window=self.day.window)
        self.assertAlmostEqual(answer.down_seconds, 7800, places=6)
        # First-out, alone and present seconds; outages, failures.
        expected = [("air_supply.pressure_low", 5400, 4200, 5400, 1, 1),
                    ("drive.motor_overload_tripped", 1800, 1800, 1800, 1, 1),
                    ("doors.obstructed", 600, 600, 600, 1, 1)]
        share = 0
        for rank, (row, want) in enumerate(zip(answer.rows, expected), 1):
            with self.subTest(row.name):
                self.assertEqual((row.rank, row.name, row.outages, row.failures, row.machines),
                                 (rank, want[0], want[4], want[5], 1))
                self.assertEqual(row.fault_class, protocol.fault_class(want[0]))
                found = (row.first_out_seconds, row.alone_seconds, row.present_seconds)
                for seconds, wanted in zip(found, want[1:4]):
                    self.assertAlmostEqual(seconds, wanted, places=6)
                share += want[1] / 7800
                self.assertAlmostEqual(row.share, want[1] / 7800, places=9)
                self.assertAlmostEqual(row.cumulative_share, share, places=9)
        self.assertGreaterEqual(len(answer.rows), 3)
        consequential = {row.name: row for row in answer.rows}["controls.module_lost"]
        self.assertEqual((consequential.first_out_seconds, consequential.present_seconds, consequential.outages),
                         (0, 1200, 0))

    def check_outages(self, recording):
        answer = self.server.call("Figures/ListOutages", window=self.day.window)
        self.assertEqual(answer.total, 3)
        found = sorted(answer.outages, key=lambda outage: outage.began_us)
        at = lambda clock: round(self.day.at(clock) * protocol.US)  # noqa: E731
        self.assertEqual([(o.machine, o.first_out_name, o.began_us, o.restored_us, round(o.down_seconds), o.raw_code,
                           list(o.consequential)) for o in found], [
            ("meadow/bay-1", "air_supply.pressure_low", at("08:00"), at("09:30"), 5400, "E07",
             ["controls.module_lost"]),
            ("meadow/bay-1", "doors.obstructed", at("16:00"), at("16:10"), 600, "", []),
            ("meadow/bay-1", "drive.motor_overload_tripped", at("21:30"), at("23:00"), 1800, "W1.0", [])])
        for outage in found:
            raised = event_pb2.Event.FromString(recording.events[outage.sequence - 1])
            self.assertEqual(outage.epoch, recording.epoch)
            self.assertEqual(raised.fault_raised.fault_class, outage.first_out)

    def check_counts(self):
        """What was counted of it, and what nobody counted."""
        metrics = self.server.metrics()
        total = {name: sum(value for (metric, _), value in metrics.items() if metric == name)
                 for name in {metric for metric, _ in metrics}}
        self.assertEqual(total["bayward_ingest_events_total"], self.stored())
        # 8 of the batch sent twice, 3 of the one that overlaps; more where an ack was lost.
        self.assertGreaterEqual(total["bayward_ingest_duplicate_events_total"], 11)
        self.assertEqual(total["bayward_ingest_gaps_total"], 1)
        self.assertEqual(total["bayward_ingest_rejected_events_total"], 0)
        self.assertEqual(self.server.call("Fleet/ListRejectedEvents").total, 0)
        self.assertEqual(self.server.call("Fleet/ListParkedEvents").total, 0)

    def test_what_is_shown_now_follows_what_is_delivered(self):
        recording, now = Recording(booted_at=self.day.midnight), time.time()
        recording.starts("bay-1", now - 600)
        recording.starts("bay-2", now - 600)
        recording.raised("bay-1", now - 300, "safety_circuit.emergency_stop_actuated", raw_code="N1")
        recording.raised("bay-2", now - 200, "dosing.empty")
        stream, _ = self.connect(recording)
        self.deliver(stream, recording, 1, 6)
        down = self.server.wait_for_condition("meadow/bay-1", "down")
        self.assertEqual(down.since_us, round((now - 300) * protocol.US))
        self.assertEqual([(fault.name, fault.raw_code, fault.effect) for fault in down.faults],
                         [("safety_circuit.emergency_stop_actuated", "N1", fault_class_pb2.EFFECT_BLOCKING)])
        self.assertTrue(down.agent_connected)
        self.assertIn("emergency", down.why.lower().replace("_", " "))
        self.server.wait_for_condition("meadow/bay-2", "degraded")

        recording.cleared("bay-1", time.time(), "safety_circuit.emergency_stop_actuated")
        recording.cleared("bay-2", time.time(), "dosing.empty")
        self.deliver(stream, recording, 7, 8)
        self.server.wait_for_condition("meadow/bay-1", "up")
        self.server.wait_for_condition("meadow/bay-2", "up")

        sites = self.server.call("Fleet/ListSites").sites
        self.assertEqual([(s.site, s.time_zone, s.machines, s.machines_down) for s in sites], [("meadow", ZONE, 2, 0)])
        self.assertEqual([(a.agent, a.connected, a.version, a.watermark) for a in sites[0].agents],
                         [(AGENT, True, "independent", 8)])
        stream.close()
        # Nobody watches it any more: that is not "up".
        self.server.wait_for_condition("meadow/bay-1", "unknown")
        self.assertFalse(self.server.live()["meadow/bay-1"].agent_connected)

    def end_of(self, hello, **first):
        """Status and details of a stream that is refused."""
        stream = Uplink(self.server.agents_address, hello)
        if first:
            stream.send(**first)
        self.assertIsNone(stream.read())
        status, details = stream.status, stream.details
        stream.abort()
        return status, details

    def test_streams_that_cannot_be_are_refused_with_what_was_expected(self):
        recording = Recording()
        recording.starts("bay-1", time.time())
        held = [recording.held()]
        status, details = self.end_of(make_hello(AGENT, held, protocol_version=9))
        self.assertEqual(status, grpc.StatusCode.FAILED_PRECONDITION)
        self.assertIn("expected 1", details)
        status, details = self.end_of(make_hello("nobody", held))
        self.assertEqual(status, grpc.StatusCode.NOT_FOUND)
        self.assertIn('"nobody"', details)
        status, _ = self.end_of(None, batch={"epoch": recording.epoch, "entries": [{"sequence": 1}]})
        self.assertEqual(status, grpc.StatusCode.INVALID_ARGUMENT)
        status, _ = self.end_of(make_hello(AGENT, []))
        self.assertEqual(status, grpc.StatusCode.INVALID_ARGUMENT)
        first, _ = self.connect(recording)
        status, details = self.end_of(make_hello(AGENT, held))
        self.assertEqual(status, grpc.StatusCode.ALREADY_EXISTS)
        self.assertIn("identity", details)
        # The one that was there first goes on.
        self.deliver(first, recording, 1, 2)
        first.close()

    def end_of_bytes(self, *messages):
        """Status and details of a stream on which these bytes were sent as messages."""
        with grpc.insecure_channel(self.server.agents_address) as channel:
            call = channel.stream_stream("/bayward.v1.Uplink/Connect")(iter(messages), timeout=20)
            try:
                collections.deque(call, maxlen=0)
            except grpc.RpcError:
                pass
            return call.code(), call.details()

    def test_bytes_that_are_no_messages_end_only_their_stream(self):
        recording = Recording()
        recording.starts("bay-1", time.time())
        stream, _ = self.connect(recording)
        status, details = self.end_of_bytes(b"\xff\xff\xff")
        self.assertEqual(status, grpc.StatusCode.INVALID_ARGUMENT)
        self.assertIn("hello", details)
        status, details = self.end_of_bytes()
        self.assertEqual(status, grpc.StatusCode.INVALID_ARGUMENT)
        self.assertIn("hello", details)
        host, port = self.server.agents_address.split(":")
        with socket.create_connection((host, int(port)), 10) as plain:
            plain.sendall(b"GET / HTTP/1.0\r\n\r\n")
            plain.settimeout(20)
            while plain.recv(4096):  # the server may say something, and closes
                pass
        # Others are not disturbed.
        self.deliver(stream, recording, 1, 2)
        stream.close()

    def test_questions_that_cannot_be_answered_are_refused_with_what_was_expected(self):
        day = self.day.window
        for method, request, status, said in [
                ("Figures/GetAvailability", {"window": {"from": "yesterday"}}, 400, "yesterday"),
                ("Figures/GetAvailability", {"window": {"from": day["to"], "to": day["from"]}}, 400, "before"),
                ("Figures/GetAvailability", {"window": day, "colour": "red"}, 400, "colour"),
                ("Figures/GetAvailability", {"window": day, "scope": {"sites": ["nowhere"]}}, 404, "nowhere"),
                ("Fleet/DeclareFleet", {"files": [{"name": "a.toml", "text": "[[site]]\nkey = 7\n"}]}, 400,
                 "a.toml:2")]:
            with self.subTest(method, request=request):
                with self.assertRaises(CallError) as refused:
                    self.server.call(method, **request)
                self.assertEqual(refused.exception.status, status, refused.exception)
                self.assertIn(said, refused.exception.text)


if __name__ == "__main__":
    unittest.main()
