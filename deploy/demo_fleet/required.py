"""Required time: opening hours less agreed closures, within the machine's service life. Written from timeline rules 10
and 11, with Python's own time zones."""

import datetime

import civil

_WEEKDAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def _hours_of_day(machine, day):
    kind = "holiday" if day in machine.site.holidays else _WEEKDAYS[day.weekday()]
    for hours in machine.hours or machine.site.hours:
        if hours.valid_from <= day and (hours.valid_to is None or day < hours.valid_to):
            return hours.days[kind]
    return []


def _open_in_service(machine, start, end):
    zone = machine.site.zone
    one_day = datetime.timedelta(days=1)
    # Hours that begin the day before may pass midnight.
    days = civil.days_between(civil.local_day(zone, start) - one_day, civil.local_day(zone, end) + one_day)
    opened = civil.union((civil.at_minute(zone, day, first), civil.at_minute(zone, day, last, second=True))
                         for day in days for first, last in _hours_of_day(machine, day))
    begin = max(start, civil.day_start(zone, machine.in_service_from))
    finish = end if machine.retired_at is None else min(end, civil.day_start(zone, machine.retired_at))
    return civil.intersect(opened, [(begin, finish)]) if begin < finish else []


def _agreed_closures(site):
    return civil.union((civil.instant(site.zone, c.start), civil.instant(site.zone, c.end, second=True))
                       for c in site.closures if c.agreed)


def required_time(machine, start, end):
    return civil.subtract(_open_in_service(machine, start, end), _agreed_closures(machine.site))


def excluded_time(machine, start, end):
    """Opening hours that agreed closures take out of required time."""
    return civil.intersect(_open_in_service(machine, start, end), _agreed_closures(machine.site))
