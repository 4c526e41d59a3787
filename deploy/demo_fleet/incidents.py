"""What goes wrong at a machine, and what people do there. Each incident has a stretch of the machine's time of its own,
so that whatever the rules leave open between two things that happen at once does not arise: no closure meets an external
cause and a fault together, no observation gap meets a closure, and so on.
"""

import bisect
import math

import classes
import civil
from civil import HOUR, MINUTE, SECOND
from facts import BLOCKING, CLOSED, COMPLETED, DEGRADING, OCCUPIED, Cycle, Fault, Gap, Mode, Remark

_BEFORE, _AFTER = 10 * MINUTE, 20 * MINUTE
WEEK = 7 * civil.DAY


def poisson(rng, mean):
    limit, product, n = math.exp(-mean), rng.random(), 0
    while product > limit:
        product *= rng.random()
        n += 1
    return n


def spread(rng, median, least, most):
    """A log-normal duration: mostly about the median, sometimes much longer."""
    return int(min(most, max(least, median * math.exp(rng.gauss(0, 0.8)))))


class Incidents:
    def __init__(self, rng, machine, span, required):
        self.rng, self.machine, self.span = rng, machine, span
        self._opened = [i for i in required if i[0] < machine.ends_at and machine.observed_from < i[1]]
        self._seconds_before = [0]
        for start, end in self._opened:
            self._seconds_before.append(self._seconds_before[-1] + end - start)

    # ------------------------------------------------------------------------------------------- helpers

    def sometime(self):
        """Mostly in opening hours; None where the machine has none."""
        m, rng = self.machine, self.rng
        if rng.random() < 0.2 or not self._opened:
            at = rng.randrange(m.observed_from, m.ends_at)
        else:
            offset = rng.randrange(self._seconds_before[-1])
            i = bisect.bisect_right(self._seconds_before, offset) - 1
            at = self._opened[i][0] + offset - self._seconds_before[i]
        return at if m.observed_from + 3 * HOUR < at < m.ends_at - HOUR else None

    def between(self, least, most):
        return self.rng.randrange(int(least), int(most))

    def fault(self, name, start, end, effect=None, **more):
        default, origin, _, _ = classes.CLASSES[name]
        if effect is None:
            nozzles_only = self.machine.kind == "spray_gantry"
            effect = BLOCKING if nozzles_only and name in classes.BLOCKS_NOZZLE_MACHINES else default
        fault = Fault(name, start, end, effect, origin, **more)
        self.machine.faults.append(fault)
        return fault

    def mode(self, mode, reason, by, start, end):
        """False, and no mode, where another mode or a gap is near."""
        if not (self.machine.mode_free(start - MINUTE, end + MINUTE) and
                self.machine.gap_free(start - MINUTE, end + MINUTE)):
            return False
        self.machine.modes.append(Mode(mode, reason, by, start, end))
        return True

    def gap(self, start, end, reason="source_silent"):
        straddles = start < self.span.until < end
        if straddles or not self.machine.mode_free(start - HOUR, end + HOUR):
            return False
        self.machine.gaps.append(Gap(start, end, reason, end if reason == "agent_stopped" else start + 10 * SECOND))
        return True

    def some(self, names, count=1):
        distinct = list(dict.fromkeys(names))
        return self.rng.sample(distinct, min(count, len(distinct)))

    def test_wash(self, start):
        kind = self.machine.kind
        if not self.machine.washes:
            return
        programme = "jet-short" if kind == "spray_gantry" else "tunnel-standard" if kind == "tunnel" else "short"
        end = start + 3 * MINUTE + self.between(0, MINUTE)
        self.machine.cycles.append(Cycle(f"t{start // SECOND}", programme, start, end, COMPLETED, "test", "nobody"))

    # ------------------------------------------------------------------------------------------ incidents

    def short_stop(self, at):
        rng, name = self.rng, self.rng.choice(classes.SHORT_STOPS[self.machine.kind])
        lasts = spread(rng, 24 * MINUTE, 90 * SECOND, 5 * HOUR)
        if rng.random() < 0.12:
            return self._again_and_again(name, at)
        if not self.machine.take(at - _BEFORE, at + lasts + _AFTER):
            return
        fault = self.fault(name, at, at + lasts)
        written = at + 5 * MINUTE
        if name == "air_supply.pressure_low" and lasts > 12 * MINUTE and not at < self.span.until <= written:
            fault.raise_delay = 5 * MINUTE
        if rng.random() < 0.15:
            fault.further_raises = rng.randrange(1, 40)
        elif rng.random() < 0.1:
            known = at + fault.raise_delay
            fault.raised_again = tuple(sorted(self.between(known + 20 * SECOND, at + lasts) for _ in range(2)))
        if rng.random() < 0.2:
            note = '"site_note":{"kind":"NOTE_KIND_TRIED","text":"looked from outside, nothing in the way"}'
            self.machine.remarks.append(Remark(at + lasts // 2, note))

    def _again_and_again(self, name, at):
        """Cleared and back, often with no wash between: then it is one failure."""
        times, t = [], at
        for _ in range(self.rng.randrange(2, 5)):
            times.append((t, t + self.between(3 * MINUTE, 12 * MINUTE)))
            t = times[-1][1] + self.between(2 * MINUTE, 25 * MINUTE)
        if not self.machine.take(at - _BEFORE, times[-1][1] + _AFTER):
            return
        for start, end in times:
            self.fault(name, start, end)
        if self.rng.random() < 0.6:
            self.machine.no_wash.append((times[0][0], times[-1][1]))

    def long_stop(self, at):
        rng, machine = self.rng, self.machine
        names = self.some(classes.LONG_STOPS[machine.kind], 2)
        end = at + spread(rng, 8 * HOUR, 1.5 * HOUR, 60 * HOUR)
        tail = self.between(6 * MINUTE, 40 * MINUTE) if rng.random() < 0.5 else 0
        if not machine.take(at - _BEFORE, end + tail + 2 * HOUR):
            return
        self.fault(names[0], at, end)
        if len(names) > 1 and rng.random() < 0.25:
            self.fault(names[1], at + (end - at) // 4 + 1, end - (end - at) // 5)
        if rng.random() < 0.55:
            came = end - self.between(20 * MINUTE, 70 * MINUTE)
            if self.mode(OCCUPIED, "upkeep", "technician", came, end + tail + 2 * SECOND) and tail:
                self.test_wash(end + 30 * SECOND)
        elif rng.random() < 0.5:
            self.mode(CLOSED, "other", "attendant", at + self.between(MINUTE, HOUR), end + self.between(MINUTE, HOUR))

    def user_stop(self, at):
        end = at + spread(self.rng, 7 * MINUTE, 70 * SECOND, HOUR)
        if classes.USER_STOPS[self.machine.kind] and self.machine.take(at - _BEFORE, end + _AFTER):
            self.fault(self.rng.choice(classes.USER_STOPS[self.machine.kind]), at, end)

    def people_stop(self, at):
        end = at + spread(self.rng, 12 * MINUTE, 2 * MINUTE, 2 * HOUR)
        if self.machine.take(at - _BEFORE, end + _AFTER):
            self.fault(self.rng.choice(classes.PEOPLE_STOPS), at, end)

    def overlapping_stops(self, at):
        """Two or three at once, one inside the other, chained, or end to end: one outage each time."""
        rng, machine = self.rng, self.machine
        names = self.some(classes.SHORT_STOPS[machine.kind] + classes.LONG_STOPS[machine.kind], 3)
        lasts = spread(rng, 45 * MINUTE, 10 * MINUTE, 6 * HOUR)
        if not machine.take(at - _BEFORE, at + 3 * lasts + _AFTER):
            return
        shape = rng.choice(["inside", "chained", "end to end"])
        self.fault(names[0], at, at + lasts)
        if len(names) < 2:
            return
        if shape == "inside":
            self.fault(names[1], at + lasts // 3, at + 2 * lasts // 3)
        elif shape == "end to end":
            self.fault(names[1], at + lasts, at + lasts + lasts // 2)
        else:
            self.fault(names[1], at + lasts // 2, at + 3 * lasts // 2)
            if len(names) > 2:
                self.fault(names[2], at + 5 * lasts // 4, at + 2 * lasts)

    def stops_at_once(self, at):
        """Risen at one instant: the declared priority, else the order of recording, says which was first."""
        names = self.some(classes.SHORT_STOPS[self.machine.kind], 2)
        lasts = spread(self.rng, 20 * MINUTE, 5 * MINUTE, 2 * HOUR)
        if len(names) < 2 or not self.machine.take(at - _BEFORE, at + 2 * lasts + _AFTER):
            return
        priorities = self.rng.choice([(2, 1), (1, 2), (0, 0)])
        self.fault(names[0], at, at + lasts, priority=priorities[0])
        self.fault(names[1], at, at + 2 * lasts, priority=priorities[1])

    def worsening(self, at):
        """The same class first degrades, then blocks."""
        lasts = spread(self.rng, 40 * MINUTE, 10 * MINUTE, 3 * HOUR)
        if self.machine.washes and self.machine.take(at - _BEFORE, at + 2 * lasts + _AFTER):
            self.fault("water_supply.tank_level_low", at, at + lasts, effect=DEGRADING, turns_into=True)
            self.fault("water_supply.tank_level_low", at + lasts, at + 2 * lasts, effect=BLOCKING)

    def closed_by_people(self, at):
        rng, machine = self.rng, self.machine
        end = at + spread(rng, 2 * HOUR, 20 * MINUTE, 12 * HOUR)
        late = self.between(10 * MINUTE, 2 * HOUR)
        if not machine.take(at - _BEFORE, end + late + _AFTER):
            return
        reason = rng.choice(["water_restriction", "upkeep", "other", "quiet_hours"])
        if not self.mode(CLOSED, reason, "operator", at, end) or rng.random() < 0.5:
            return
        # A fault that rises under the closure counts from the reopening, if it lasts so long.
        rose = at + (end - at) // 3
        name = self.some([n for n in classes.SHORT_STOPS[machine.kind] if n != "pay_point.offline"])[0]
        self.fault(name, rose, end + late if rng.random() < 0.5 else rose + (end - rose) // 2)

    def closed_while_down(self, at):
        """Closing a broken machine hides nothing: it stays down until the last of the faults has cleared."""
        rng, machine = self.rng, self.machine
        names = self.some(classes.SHORT_STOPS[machine.kind] + classes.LONG_STOPS[machine.kind], 2)
        lasts = spread(rng, 90 * MINUTE, 20 * MINUTE, 6 * HOUR)
        if not machine.take(at - _BEFORE, at + 4 * lasts + _AFTER):
            return
        if not self.mode(CLOSED, "other", "operator", at + lasts // 4, at + 3 * lasts):
            return
        self.fault(names[0], at, at + lasts)
        if len(names) > 1:
            self.fault(names[1], at + lasts // 2, at + 2 * lasts)

    def planned_upkeep(self, at):
        """A technician at a sound machine; what he provokes is no outage."""
        end = at + self.between(50 * MINUTE, 3 * HOUR)
        if not self.machine.take(at - _BEFORE, end + _AFTER):
            return
        if self.mode(OCCUPIED, "upkeep", "technician", at, end):
            self.fault("safety_circuit.guard_open", at + 5 * MINUTE, at + 25 * MINUTE)
            self.test_wash(end - 8 * MINUTE)

    def lost_sight(self, at):
        """Nobody observes for a while; a fault goes on through it, ends in it, begins in it, or is never seen."""
        rng, machine = self.rng, self.machine
        shape = rng.choice(["through", "ends", "begins", "unseen", "no fault"])
        lasts = spread(rng, 50 * MINUTE, 5 * MINUTE, 8 * HOUR)
        first, last = at + lasts, at + 2 * lasts
        if not machine.take(at - _BEFORE, at + 3 * lasts + _AFTER) or not self.gap(first, last):
            return
        name = rng.choice(classes.SHORT_STOPS[machine.kind])
        start, end = {"through": (at, at + 3 * lasts), "ends": (at, first + lasts // 2),
                      "begins": (first + lasts // 2, at + 3 * lasts),
                      "unseen": (first + lasts // 3, first + lasts // 2), "no fault": (0, 0)}[shape]
        if end:
            self.fault(name, start, end)

    def two_found(self, at):
        """Two faults that nobody saw rise: which was first is not known. Far from any other incident."""
        machine = self.machine
        names = self.some(classes.SHORT_STOPS[machine.kind], 2)
        lasts = self.between(30 * MINUTE, 2 * HOUR)
        if len(names) < 2 or not machine.take(at - 48 * HOUR, at + 2 * lasts + 48 * HOUR):
            return
        if self.gap(at, at + lasts):
            self.fault(names[0], at + lasts // 3, at + lasts + lasts // 2)
            self.fault(names[1], at + lasts // 2, at + 2 * lasts)

    def stray_clearing(self, at):
        if self.machine.gap_free(at - MINUTE, at + MINUTE):
            body = f'"fault_cleared":{{"fault_class":"{classes.enum_name(classes.STRAY)}"}}'
            self.machine.remarks.append(Remark(at, body))

    # --------------------------------------------------------------------------------- what stops nothing

    def lesser_faults(self, names, per_week, median, weeks):
        """Degrading or advisory ones: beside anything else, but one class never twice at once, nor twice in a gap."""
        machine = self.machine
        for _ in range(poisson(self.rng, per_week * weeks) if names else 0):
            at, name = self.sometime(), self.rng.choice(names)
            if at is None:
                continue
            end = at + spread(self.rng, median, 40 * SECOND, 8 * median)
            same = [f for f in machine.faults if f.name == name]
            if all(f.end < at - 12 * HOUR or end + 12 * HOUR < f.start for f in same):
                fault = self.fault(name, at, end)
                if fault.name == "dryers.fan_fail_to_start":
                    self._off_sale("full", at + 5 * SECOND, end + 5 * SECOND)

    def _off_sale(self, programme, start, end):
        for at, offered in ((start, "false"), (end, "true")):
            body = f'"programme_offered":{{"programme":"{programme}","offered":{offered}}}'
            self.machine.remarks.append(Remark(at, body))


# Incident: how many a week, and whether a bad machine has more of them.
_WASHING = [("two_found", 0.02, False), ("lost_sight", 0.09, False), ("short_stop", 0.9, True), ("long_stop", 0.14, True), ("user_stop", 0.6, False),
            ("people_stop", 0.12, False), ("overlapping_stops", 0.12, True), ("stops_at_once", 0.03, True),
            ("worsening", 0.05, False), ("closed_by_people", 0.12, False), ("closed_while_down", 0.04, True),
            ("planned_upkeep", 0.1, False), ("stray_clearing", 0.06, False)]
_PLANT = [("short_stop", 0.15, True), ("overlapping_stops", 0.02, True), ("lost_sight", 0.03, False),
          ("planned_upkeep", 0.04, False)]


def befall(rng, machine, span, required):
    """Fills one machine with incidents of its own."""
    weeks = (machine.ends_at - machine.observed_from) / WEEK
    if weeks <= 0:
        return
    incidents = Incidents(rng, machine, span, required)
    for name, per_week, by_quality in _WASHING if machine.washes else _PLANT:
        for _ in range(poisson(rng, per_week * weeks * (machine.quality if by_quality else 1))):
            at = incidents.sometime()
            if at is not None:
                getattr(incidents, name)(at)
    incidents.lesser_faults(classes.DEGRADINGS[machine.kind], 0.5, 5 * HOUR, weeks)
    incidents.lesser_faults(classes.ADVISORIES[machine.kind], 0.8, 30 * MINUTE, weeks)
