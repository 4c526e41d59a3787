"""Customers: the washes of a machine, by a daily curve within its opening hours, where nothing stops them."""

import bisect

import civil
from civil import HOUR, MINUTE, SECOND
from facts import ABANDONED, ABORTED, BLOCKING, COMPLETED, Cycle
from incidents import poisson
from layout import PROGRAMMES

# How busy each hour of a local day is, Monday and Saturday beside.
_CURVE = [0.1, 0.05, 0.02, 0.02, 0.05, 0.2, 0.6, 1.0, 1.4, 1.8, 2.3, 2.6, 2.5, 2.3, 2.4, 2.7, 3.1, 3.3, 2.9, 2.2,
          1.5, 0.9, 0.5, 0.3]
_DAYS = [0.8, 0.8, 0.9, 0.9, 1.2, 1.5, 1.0]
_PER_DAY = {"gantry": 1.0, "spray_gantry": 0.85, "tunnel": 3.4}
_STEPS = ["pre-wash", "foam", "brush", "rinse", "wax", "dry"]
# Who bought it and how, and how often.
_SALES = [(0.42, "customer", "card"), (0.56, "customer", "app"), (0.64, "customer", "cash"),
          (0.72, "customer", "code"), (0.97, "member", "subscription"), (0.99, "staff", "nobody"),
          (1.01, "test", "nobody")]


class _Stops:
    """When no wash can start, and which fault ends one that runs."""

    def __init__(self, machine):
        faults = [f for f in machine.faults if f.effect == BLOCKING]
        self._aborting = sorted((f.start, f.end, f.name) for f in faults if f.name != "pay_point.offline")
        self._starts = [a[0] for a in self._aborting]
        shut = [(f.start, f.end) for f in faults if f.name != "pay_point.offline"]
        shut += [(m.start, m.end) for m in machine.modes] + machine.no_wash
        zone = machine.site.zone
        for closure in machine.site.closures:
            shut.append((civil.instant(zone, closure.start), civil.instant(zone, closure.end)))
        self._shut = civil.union(shut)
        self._unsold = civil.union((f.start, f.end) for f in faults if f.name == "pay_point.offline")
        self._gaps = [(g.start, g.end) for g in machine.gaps]

    @staticmethod
    def _covering(intervals, at):
        i = bisect.bisect_right(intervals, (at, float("inf"))) - 1
        return intervals[i] if i >= 0 and at < intervals[i][1] else None

    def can_start(self, at):
        return self._covering(self._shut, at) is None and self._covering(self._gaps, at) is None

    def only_members(self, at):
        return self._covering(self._unsold, at) is not None

    def first_fault(self, start, end):
        i = bisect.bisect_right(self._starts, start)
        return self._aborting[i] if i < len(self._starts) and self._starts[i] < end else None

    def unseen_end(self, end):
        return self._covering(self._gaps, end) is not None

    def seen_throughout(self, start, end):
        return all(gap_end <= start or end <= gap_start for gap_start, gap_end in self._gaps)


def _arrivals(rng, machine, opened, closes):
    """Instants at which customers come, in one opening interval, sorted."""
    zone = machine.site.zone
    arrivals, at = [], opened
    while at < closes:
        local = at + civil.offset_at(zone, at)
        until = min(closes, at + HOUR - local % HOUR)
        hour, weekday = local // HOUR % 24, (local // civil.DAY + 3) % 7
        mean = _CURVE[hour] * _DAYS[weekday] * _PER_DAY[machine.kind] * machine.site.busyness * (until - at) / HOUR
        arrivals += [at + int(rng.random() * (until - at)) for _ in range(poisson(rng, mean))]
        at = until
    return sorted(arrivals)


def _choose(rng, rows, index):
    x = rng.random()
    for row in rows:
        x -= row[index]
        if x < 0:
            return row
    return rows[-1]


def _sale(rng):
    x = rng.random()
    return next((sold, paid) for limit, sold, paid in _SALES if x < limit)


def _cycle(rng, machine, stops, start, number):
    programme, _, _, minutes = _choose(rng, PROGRAMMES[machine.kind], 2)
    end = start + int(minutes * MINUTE * rng.uniform(0.93, 1.12))
    sold_as, paid_by = _sale(rng)
    cycle = Cycle(f"c{number}", programme, start, end, COMPLETED, sold_as, paid_by)
    if rng.random() < 0.001:
        cycle.start_seen = not stops.seen_throughout(start, end)
    fault = stops.first_fault(start, end)
    if fault is not None:
        cycle.end = min(fault[0] + rng.randrange(SECOND, 3 * SECOND), fault[1] - SECOND)
        cycle.outcome, cycle.cause = ABORTED, fault[2]
    elif rng.random() < 0.002:
        cycle.end, cycle.outcome = start + (end - start) // 2, ABORTED
    if stops.unseen_end(cycle.end):
        cycle.outcome = ABANDONED
    return cycle


def step_reached(cycle):
    """For an aborted cycle, a step that fits how long it ran."""
    return _STEPS[min((cycle.end - cycle.start) // (90 * SECOND), len(_STEPS) - 1)]


def wash(rng, machine, required):
    if not machine.washes:
        return
    stops = _Stops(machine)
    tunnel = machine.kind == "tunnel"
    number, free_from = 0, machine.observed_from + MINUTE
    for opened, closes in required:
        if closes <= machine.observed_from or machine.ends_at <= opened:
            continue
        for arrival in _arrivals(rng, machine, opened, closes):
            start = max(arrival, free_from)
            if start >= min(closes, machine.ends_at) or not stops.can_start(start):
                continue
            number += 1
            cycle = _cycle(rng, machine, stops, start, number)
            if stops.only_members(start):
                if cycle.sold_as != "member":
                    continue
            machine.cycles.append(cycle)
            free_from = start + 75 * SECOND if tunnel else cycle.end + rng.randrange(40 * SECOND, 150 * SECOND)
