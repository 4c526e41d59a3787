"""What happens to a whole site at once: nights, an agent that stops, mains and water that fail, frost, shared plant that
takes its bays along. Then each machine's own incidents (incidents.py), washes (washes.py) and readings.
"""

import random

import civil
import classes
import washes
from civil import HOUR, MINUTE, SECOND
from facts import CLOSED, Gap, Mode, Remark
from incidents import WEEK, Incidents, befall, poisson, spread
from required import required_time


def _close_over_night(rng, machine, required):
    """The machine's own schedule, a few minutes off the declared hours."""
    for (_, closes), (opens, _) in zip(required, required[1:]):
        start, end = closes - rng.randrange(4 * MINUTE), opens + rng.randrange(3 * MINUTE)
        if opens - closes > 3 * HOUR and machine.observed_from < start and end < machine.ends_at:
            machine.modes.append(Mode(CLOSED, "quiet_hours", "schedule", start, end))


def _agent_stops(rng, site, span, weeks):
    for _ in range(poisson(rng, 0.07 * weeks)):
        start = rng.randrange(span.history_from + 12 * HOUR, span.ends_at - HOUR)
        end = start + spread(rng, 40 * MINUTE, 2 * MINUTE, 20 * HOUR)
        there = [m for m in site.machines if m.observed_from + HOUR < start and end < m.ends_at - HOUR]
        clear = all(m.is_free(start - HOUR, end + HOUR) and m.mode_free(start - HOUR, end + HOUR) for m in there)
        if not clear or start < span.until < end:
            continue
        for machine in there:
            machine.take(start - HOUR, end + HOUR)
            machine.gaps.append(Gap(start, end, "agent_stopped", end))


def _supply_fails(rng, site, incidents, span, name, per_week, median, only_washing):
    for _ in range(poisson(rng, per_week * (span.ends_at - span.history_from) / WEEK)):
        at = incidents[rng.choice(site.machines).key].sometime()
        if at is None:
            continue
        lasts = spread(rng, median, 2 * MINUTE, 10 * HOUR)
        for machine in site.machines:
            start, end = at + rng.randrange(3 * SECOND), at + lasts + rng.randrange(90 * SECOND)
            inside = machine.observed_from + HOUR < start and end < machine.ends_at
            if not inside or (only_washing and not machine.washes):
                continue
            if not machine.take(start - 10 * MINUTE, end + 90 * MINUTE):
                continue
            incidents[machine.key].fault(name, start, end)
            if name == "power.mains_lost" and machine.washes and not site.quiet_mode and rng.random() < 0.3:
                incidents[machine.key].fault("position.reference_lost", end - 20 * SECOND,
                                               end + rng.randrange(10 * MINUTE, 70 * MINUTE))


def _frost(rng, site, incidents, span):
    """On a few mornings late in the window, where it is the season."""
    if site.region == "farrisle":
        return
    for share in (0.84, 0.91, 0.97):
        if rng.random() < 0.5:
            continue
        day = civil.local_day(site.zone, span.start + int((span.until - span.start) * share))
        if 4 <= day.month <= 9:
            continue
        start = civil.at_minute(site.zone, day, 5 * 60) + rng.randrange(HOUR)
        end = start + spread(rng, 3 * HOUR, HOUR, 8 * HOUR)
        name = rng.choice(["environment.frost_closure", "environment.frost_closure", "environment.surface_icy"])
        for machine in site.machines:
            inside = machine.observed_from + HOUR < start and end < machine.ends_at
            if machine.washes and inside and machine.take(start - 10 * MINUTE, end + 20 * MINUTE):
                incidents[machine.key].fault(name, start, end)


def _plant_stops(rng, site, incidents, weeks):
    """No air, no wash: the bays say so themselves, a few minutes after the plant and until a few minutes after it."""
    for plant in site.machines:
        for _ in range(0 if plant.washes else poisson(rng, 0.07 * plant.quality * weeks)):
            at = incidents[plant.key].sometime()
            if at is None:
                continue
            lasts = spread(rng, 4 * HOUR, 40 * MINUTE, 30 * HOUR)
            bays = [m for m in site.machines if plant.key in m.depends_on]
            inside = all(m.observed_from + HOUR < at and at + lasts + HOUR < m.ends_at for m in bays)
            free = all(m.is_free(at - 10 * MINUTE, at + lasts + HOUR) for m in [plant, *bays])
            if not inside or not free:
                continue
            for machine in [plant, *bays]:
                machine.take(at - 10 * MINUTE, at + lasts + HOUR)
            incidents[plant.key].fault(rng.choice(classes.LONG_STOPS[plant.kind]), at, at + lasts)
            for bay in bays:
                own = "air_supply.pressure_low" if plant.kind == "air" else "water_supply.booster_failed"
                start = at + rng.randrange(2 * MINUTE, 9 * MINUTE)
                incidents[bay.key].fault(own, start, at + lasts + rng.randrange(3 * MINUTE, 12 * MINUTE))


def _planned_closures(site):
    """While people have closed the site its machines say so, where nothing else happens to them."""
    for closure in site.closures:
        start = civil.instant(site.zone, closure.start) + 2 * MINUTE
        end = civil.instant(site.zone, closure.end) - 5 * MINUTE
        reason = "upkeep" if closure.announced else "other"
        for machine in site.machines:
            inside = machine.observed_from + HOUR < start and end < machine.ends_at
            if machine.washes and inside and machine.mode_free(start - MINUTE, end + MINUTE):
                if machine.take(start - 10 * MINUTE, end + 20 * MINUTE):
                    machine.modes.append(Mode(CLOSED, reason, "owner", start, end))


def _readings(rng, machine):
    """A counter each day and a level a few times a day, never where nobody reads."""
    counted = rng.uniform(200, 90000)
    at = machine.observed_from + 30 * MINUTE
    while at < machine.ends_at:
        if machine.gap_free(at - MINUTE, at + MINUTE):
            if machine.kind == "air":
                body = f'"level":{{"quantity":"QUANTITY_PRESSURE","unit":"Pa","value":{rng.randrange(720000, 860000)}}}'
            else:
                body = f'"level":{{"quantity":"QUANTITY_TANK","unit":"m3","value":{rng.uniform(0.8, 4.8):.2f}}}'
            machine.remarks.append(Remark(at, body))
            counted += rng.uniform(0.3, 1.6)
            quantity, unit = ("FRESH_WATER", "m3") if machine.washes else ("ENERGY", "kWh")
            body = f'"meter":{{"quantity":"QUANTITY_{quantity}","unit":"{unit}","value":{counted:.2f}}}'
            machine.remarks.append(Remark(at + 40 * SECOND, body))
        at += 8 * HOUR + rng.randrange(HOUR)


def live(seed, site, span):
    """Fills every machine of a site."""
    rng = random.Random(f"bayward life {seed} {site.key}")
    weeks = (span.ends_at - span.history_from) / WEEK
    required, incidents = {}, {}
    for machine in site.machines:
        required[machine.key] = required_time(machine, span.history_from, span.ends_at)
        incidents[machine.key] = Incidents(rng, machine, span, required[machine.key])
        if site.quiet_mode and machine.washes:
            _close_over_night(rng, machine, required[machine.key])
    _planned_closures(site)
    _agent_stops(rng, site, span, weeks)
    _plant_stops(rng, site, incidents, weeks)
    _supply_fails(rng, site, incidents, span, "power.mains_lost", 0.06, 35 * MINUTE, only_washing=False)
    _supply_fails(rng, site, incidents, span, "water_supply.mains_low", 0.05, 60 * MINUTE, only_washing=True)
    _frost(rng, site, incidents, span)
    for machine in site.machines:
        own = random.Random(f"bayward machine {seed} {machine.full_name}")
        befall(own, machine, span, required[machine.key])
        machine.settle()
        washes.wash(own, machine, required[machine.key])
        _readings(own, machine)
        machine.settle()
