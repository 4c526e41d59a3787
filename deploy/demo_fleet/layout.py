"""The declared fleet: which sites and machines there are, when they must be able to wash, what is agreed. The same seed
gives the same sites; dates move with the window. Every name is invented.
"""

import datetime
import random

import civil
from facts import Closure, Hours, Machine, Site

_TOWNS = ("Oskerby Velmarsh Hollitarn Brindovar Kestavik Lummeranta Ordveden Quillmere Tarnhollow Ambrosk Drellmouth "
          "Eskarrow Gannerdal Hurstelby Ivenlode Kalderrun Lissenmoor Mordenvik Nettlequay Ollenstrand Pellowick "
          "Rustavere Sallowgate Thrennow Ulverlode Vintaroo Wexlode Yarrowdeep Zelmarsh Ashquill Bremmerlode Corvaroo "
          "Dunnerquay Elmarsund Fallowmint Grestavik Hennaroo Istermoor Jolvenby Krannock").split()

# Region, zone, currency, a point at sea near nothing, price level.
_REGIONS = [
    ("merrow", "Europe/London", "GBP", 54.2, 1.8, 1.0),
    ("suolind", "Europe/Helsinki", "EUR", 61.1, 19.9, 1.2),
    ("caldrey", "America/New_York", "USD", 39.1, -71.9, 1.4),
    ("farrisle", "Australia/Lord_Howe", "AUD", -31.9, 159.6, 1.9),
]

# What stands at a site. In fifteen: thirty machines, one tunnel.
_LAYOUTS = ["gantry spray_gantry", "gantry gantry air", "gantry", "gantry reclaim", "gantry gantry", "tunnel reclaim",
            "spray_gantry", "gantry gantry air", "gantry", "gantry spray_gantry", "gantry reclaim",
            "gantry gantry reclaim air", "gantry", "gantry gantry", "gantry spray_gantry"]
_KEYS = {"gantry": "bay", "spray_gantry": "jet", "tunnel": "tunnel"}
_NAMES = {"gantry": "Bay", "spray_gantry": "Jet bay", "tunnel": "Tunnel"}

PROGRAMMES = {
    "gantry": [("short", "7.90", 0.3, 4.2), ("standard", "10.90", 0.45, 6.5), ("full", "14.90", 0.25, 9.4)],
    "spray_gantry": [("jet-short", "6.90", 0.5, 4.5), ("jet-full", "9.90", 0.5, 7.0)],
    "tunnel": [("tunnel-standard", "11.90", 0.6, 3.6), ("tunnel-full", "16.90", 0.4, 4.4)],
}  # programme, price, how often it is chosen, minutes

# What each needs of the machine, by the names of the interface's capabilities.
PROGRAMME_NEEDS = {
    "short": ["wash"], "standard": ["wash", "foam", "dry"], "full": ["wash", "foam", "wheel", "wax", "dry"],
    "jet-short": ["wash", "high_pressure"], "jet-full": ["wash", "high_pressure", "foam", "wax"],
    "tunnel-standard": ["wash", "foam", "dry"], "tunnel-full": ["wash", "high_pressure", "foam", "wheel", "wax", "dry"],
}

_WEEKDAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def _minutes(text):
    """"20:00-02:00" as (1200, 1560)."""
    start, end = (int(t[:2]) * 60 + int(t[3:]) for t in text.split("-"))
    return start, end if end > start else end + 1440


def _week(weekday, sat=None, sun=None, fri=None, holiday=""):
    texts = {day: weekday for day in _WEEKDAYS}
    texts["fri"] = weekday if fri is None else fri
    texts["sat"] = weekday if sat is None else sat
    texts["sun"] = weekday if sun is None else sun
    texts["holiday"] = holiday
    return {day: [_minutes(part) for part in text.split()] for day, text in texts.items()}


# Some pass midnight; 01:30 comes twice and 02:15 never on some date of some zone.
_WEEKS = [
    _week("07:00-22:00", holiday="09:00-18:00"),
    _week("07:00-21:00", fri="07:00-01:30", sat="08:00-01:30", sun="09:00-20:00", holiday="10:00-16:00"),
    _week("00:00-24:00", holiday="00:00-24:00"),
    _week("06:00-13:00 14:00-23:00", sun="08:00-13:00 14:00-20:00"),
    _week("08:00-20:00", sun=""),
    _week("02:15-23:00", sun="07:00-22:00", holiday="08:00-12:00"),
    _week("10:00-15:00 18:00-01:30", sun="10:00-23:30", holiday="12:00-20:00"),
]
_SUMMER = _week("06:30-22:30", holiday="08:00-20:00")
_WINTER = _week("07:30-20:00", sun="09:00-18:00", holiday="")
_TUNNEL_WEEK = _week("08:00-19:30", sun="", holiday="")


def _date_at(span, share):
    """A date that lies at a share of the window's days."""
    at = span.start + int((span.until - span.start) * share)
    return civil.local_day("UTC", at)


def _hours(index, span):
    long_ago = _date_at(span, 0) - datetime.timedelta(days=400)
    if index % 6 == 4:
        change = _date_at(span, 0.55)
        return [Hours(long_ago, change, _SUMMER), Hours(change, None, _WINTER)]
    # So that no kind of hours is bound to one zone.
    return [Hours(long_ago, None, _WEEKS[(index * 3 + index // 4) % len(_WEEKS)])]


def _closures(rng, span):
    """One announced in most places, and now and then one that nobody announced."""
    def closure(share, hour, hours, reason, announced, approved):
        start = datetime.datetime.combine(_date_at(span, share), datetime.time(hour))
        lead = datetime.timedelta(days=-12) if announced else datetime.timedelta(hours=8)
        return Closure(start, start + datetime.timedelta(hours=hours), reason, announced, approved, start + lead)

    closures = []
    if rng.random() < 0.7:
        closures.append(closure(rng.uniform(0.1, 0.45), 8, rng.choice([3, 4, 6]), "yearly inspection", True, False))
    if rng.random() < 0.25:
        closures.append(closure(rng.uniform(0.5, 0.7), 12, 5, "forecourt resurfaced", False, True))
    if rng.random() < 0.25:
        closures.append(closure(rng.uniform(0.75, 0.9), 9, 4, "keys mislaid", False, False))
    return closures


def _add_machines(site, layout, rng, span):
    long_ago = _date_at(span, 0) - datetime.timedelta(days=rng.randrange(300, 3000))
    counts = {}
    plants = [kind for kind in layout if kind not in _KEYS]
    for kind in layout:
        counts[kind] = counts.get(kind, 0) + 1
        if kind in plants:
            key, name = kind, {"reclaim": "Reclaim plant", "air": "Air plant"}[kind]
        else:
            key, name = f"{_KEYS[kind]}-{counts[kind]}", f"{_NAMES[kind]} {counts[kind]}"
        needed = [p for p in plants if kind in _KEYS]
        machine = Machine(site, key, name, kind, quality=rng.choice([0.5, 0.8, 1.0, 1.0, 1.3]), depends_on=needed)
        machine.in_service_from = long_ago
        site.machines.append(machine)


def _make_site(index, town, rng, span):
    region, zone, currency, latitude, longitude, level = _REGIONS[index % len(_REGIONS)]
    first = civil.local_day(zone, span.history_from)
    site = Site(
        key=town.lower(), name=f"{town} {rng.choice(['North', 'Quay', 'Ring Road', 'Market', 'Halt'])}",
        region=region, zone=zone, currency=currency, latitude=round(latitude + rng.uniform(-0.4, 0.4), 4),
        longitude=round(longitude + rng.uniform(-0.4, 0.4), 4),
        attendance="attended" if index % 7 == 3 else "unattended", hours=_hours(index, span),
        holidays=[first + datetime.timedelta(days=d) for d in (20 + index % 3, 67)], closures=_closures(rng, span),
        prices=[], targets=[], quiet_mode=index % 5 == 2, busyness=round(rng.uniform(0.7, 1.3), 2))
    _add_machines(site, _LAYOUTS[index % len(_LAYOUTS)].split(), rng, span)
    start, change = site.hours[0].valid_from, _date_at(span, 0.6)
    for kind in dict.fromkeys(m.kind for m in site.machines if m.washes):
        for programme, price, _, _ in PROGRAMMES[kind]:
            site.prices.append((programme, f"{float(price) * level:.2f}", start))
            if index % 3 == 0:
                site.prices.append((programme, f"{float(price) * level * 1.06:.2f}", change))
    site.targets.append((0.97 if site.attendance == "attended" else 0.95, start))
    return site


def _single_out(sites, span):
    """Machines that are not like the others: some bad, one that comes, one that goes, one with its own hours."""
    washing = [m for site in sites for m in site.machines if m.washes]
    for i, factor in ((1, 5.0), (11, 3.5), (22, 4.0), (33, 3.0)):
        if i < len(washing):
            washing[i].quality = factor
    for site in sites:
        for machine in site.machines:
            if machine.kind == "tunnel":
                machine.hours = [Hours(site.hours[0].valid_from, None, _TUNNEL_WEEK)]
    seconds = [m for m in washing if m.key in ("bay-2", "jet-1") and len(m.site.machines) > 1]
    if len(seconds) > 1:
        seconds[1].in_service_from = _date_at(span, 0.34)
        seconds[-1].retired_at = _date_at(span, 0.78)


def make_fleet(seed, count, span):
    rng = random.Random(f"bayward fleet {seed}")
    towns = list(_TOWNS)
    rng.shuffle(towns)
    towns += [f"{town}-{n}" for n in range(2, 2 + count // len(towns)) for town in towns]
    sites = [_make_site(i, towns[i], random.Random(f"bayward site {seed} {i}"), span) for i in range(count)]
    _single_out(sites, span)
    for site in sites:
        _set_scenario_times(site, random.Random(f"bayward times {seed} {site.key}"), span)
    return sites


def _set_scenario_times(site, rng, span):
    began = span.history_from + rng.randrange(int(3 * civil.HOUR))
    for machine in site.machines:
        in_service = civil.day_start(site.zone, machine.in_service_from)
        machine.observed_from = max(began, in_service + rng.randrange(civil.HOUR, 9 * civil.HOUR))
        machine.ends_at = span.ends_at
        if machine.retired_at is not None:
            machine.ends_at = min(span.ends_at, civil.day_start(site.zone, machine.retired_at))
