"""Writes the declared fleet as the TOML files that `bayward fleet apply` takes: one with the fleet's own settings, one
for each region.
"""

from layout import PROGRAMME_NEEDS

_DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]


def _text(value):
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _list(values):
    return "[" + ", ".join(_text(v) for v in values) + "]"


def _clock(minute):
    """1440 is "24:00"; beyond it, the next day's clock."""
    return "24:00" if minute == 1440 else f"{minute // 60 % 24:02}:{minute % 60:02}"


def _hours(table, hours):
    lines = [f"[[{table}]]", f"valid_from = {_text(hours.valid_from)}"]
    if hours.valid_to is not None:
        lines.append(f"valid_to = {_text(hours.valid_to)}")
    for day in _DAYS:
        lines.append(f"{day} = " + _list(f"{_clock(a)}-{_clock(b)}" for a, b in hours.days[day]))
    return lines + [""]


def _closure(closure):
    return ["[[site.closure]]", f"from = {_text(closure.start.isoformat(timespec='minutes'))}",
            f"to = {_text(closure.end.isoformat(timespec='minutes'))}", f"reason = {_text(closure.reason)}",
            f"announced = {str(closure.announced).lower()}", f"approved = {str(closure.approved).lower()}",
            f"recorded_at = {_text(closure.recorded_at.isoformat(timespec='minutes') + 'Z')}", ""]


def _machine(machine):
    lines = ["[[site.machine]]", f"key = {_text(machine.key)}", f"name = {_text(machine.name)}",
             f"kind = {_text(machine.kind)}", f"agent = {_text(machine.site.agent)}"]
    if machine.depends_on:
        lines.append(f"depends_on = {_list(machine.depends_on)}")
    lines.append(f"in_service_from = {_text(machine.in_service_from)}")
    if machine.retired_at is not None:
        lines.append(f"retired_at = {_text(machine.retired_at)}")
    lines.append("")
    for hours in machine.hours or []:
        lines += _hours("site.machine.hours", hours)
    return lines


def site_toml(site):
    lines = ["[[site]]", f"key = {_text(site.key)}", f"name = {_text(site.name)}", f"region = {_text(site.region)}",
             f"time_zone = {_text(site.zone)}", f"currency = {_text(site.currency)}", f"latitude = {site.latitude}",
             f"longitude = {site.longitude}", f"attendance = {_text(site.attendance)}",
             f"holidays = {_list(site.holidays)}", "", "[[site.agent]]", f"key = {_text(site.agent)}", ""]
    for hours in site.hours:
        lines += _hours("site.hours", hours)
    for closure in site.closures:
        lines += _closure(closure)
    for programme in dict.fromkeys(programme for programme, _, _ in site.prices):
        lines += ["[[site.programme]]", f"programme = {_text(programme)}",
                  f"needs = {_list(PROGRAMME_NEEDS[programme])}", ""]
    for programme, price, valid_from in site.prices:
        lines += ["[[site.price]]", f"programme = {_text(programme)}", f"price = {_text(price)}",
                  f"valid_from = {_text(valid_from)}", ""]
    for availability, valid_from in site.targets:
        lines += ["[[site.target]]", f"availability = {availability}", f"valid_from = {_text(valid_from)}", ""]
    for machine in site.machines:
        lines += _machine(machine)
    return "\n".join(lines)


def fleet_files(sites):
    """File name to text."""
    files = {"fleet.toml": "# An invented fleet: what its machines report is played, not observed, and counts.\n"
                           "[fleet]\ndemonstration = true\n"}
    for region in dict.fromkeys(site.region for site in sites):
        files[f"{region}.toml"] = "\n".join(site_toml(s) for s in sites if s.region == region)
    return files
