"""Declarations of small invented fleets."""

_DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
ALL_DAY = "00:00-24:00"


def hours(valid_from, opening, valid_to=None):
    lines = ["[[site.hours]]", f'valid_from = "{valid_from}"']
    if valid_to is not None:
        lines.append(f'valid_to = "{valid_to}"')
    return "\n".join(lines + [f'{day} = ["{opening}"]' for day in _DAYS])


def site(key, agent, machines, since, zone="UTC", region="north", opening=None):
    """`machines`: keys; `since`: a date, from which all is in service and, unless `opening` says otherwise,
    open."""
    parts = [f'[[site]]\nkey = "{key}"\nname = "{key.title()}"\nregion = "{region}"\ntime_zone = "{zone}"\n'
             f'currency = "EUR"\nlatitude = 50.0\nlongitude = 10.0\nattendance = "unattended"\n',
             f'[[site.agent]]\nkey = "{agent}"\n', opening or hours(since, ALL_DAY)]
    for machine in machines:
        parts.append(f'[[site.machine]]\nkey = "{machine}"\nname = "{machine}"\nkind = "gantry"\nagent = "{agent}"\n'
                     f'in_service_from = "{since}"\n')
    return "\n".join(parts)
