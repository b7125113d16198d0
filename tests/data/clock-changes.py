"""Prints every change of the clocks from 2020 to 2035 in every zone that this machine knows, as
Python's zoneinfo reads them out of the system's tzdata; zones that change together share a block.

    python3 tests/data/clock-changes.py > tests/data/clock-changes.txt
"""

import datetime as dt
import zoneinfo
from collections import defaultdict
from pathlib import Path

UTC = dt.timezone.utc
BEGIN, END = (dt.datetime(year, 1, 1, tzinfo=UTC) for year in (2020, 2036))
SECOND, DAY = dt.timedelta(seconds=1), dt.timedelta(days=1)


def offset(zone, at):
    return at.astimezone(zone).utcoffset()


def changes(zone):
    at, found = BEGIN, []
    while at < END:
        before, after = at, at + DAY
        if offset(zone, before) != offset(zone, after):
            while after - before > SECOND:
                middle = before + (after - before) // 2
                middle = middle.replace(microsecond=0)
                same = offset(zone, middle) == offset(zone, before)
                before, after = (middle, after) if same else (before, middle)
            minutes = [int(offset(zone, one).total_seconds() / 60) for one in (before, after)]
            found.append((after.strftime("%Y-%m-%dT%H:%M:%SZ"), *minutes))
        at += DAY
    return tuple(found)


def main():
    version = Path("/usr/share/zoneinfo/tzdata.zi").read_text().splitlines()[0].split()[-1]
    print(f"# Changes of the clocks 2020-2035, by Python's zoneinfo from tzdata {version}.")
    print("# Made by clock-changes.py. Zones, then: the instant, minutes from UTC before and after.")
    together = defaultdict(list)
    for name in sorted(zoneinfo.available_timezones() - {"localtime", "Factory"}):
        together[changes(zoneinfo.ZoneInfo(name))].append(name)
    for found, names in sorted(together.items(), key=lambda item: item[1]):
        print("zones", *names)
        for one in found:
            print(*one)


if __name__ == "__main__":
    main()
