"""Timetables by Python's zoneinfo: reads one JSON case a line (zone, slots, now), prints the next window after now and
the one that now lies in, as seconds since 1970. A time that daylight saving skips or doubles is read with fold=0."""
import json
import sys
from datetime import date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

DAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


def windows(slots, zone, now):
    today = datetime.fromtimestamp(now, zone).date()
    for offset in range(-1, 371):
        day = today + timedelta(days=offset)
        for slot in slots:
            name, times = slot.split(" ")
            fits = DAYS[day.weekday()] == name if name in DAYS else day == date.fromisoformat(name)
            if not fits:
                continue
            begin, end = (tuple(map(int, t.split(":"))) for t in times.split("-"))
            last = day if end > begin else day + timedelta(days=1)
            at = lambda d, t: datetime(d.year, d.month, d.day, *t, tzinfo=zone).astimezone(timezone.utc).timestamp()
            yield int(at(day, begin)), int(at(last, end))


for line in sys.stdin:
    case = json.loads(line)
    now = case["now"]
    found = list(windows(case["slots"], ZoneInfo(case["zone"]), now))
    later = min((w for w in found if w[0] > now), default=None, key=lambda w: w[0])
    inside = [w for w in found if w[0] <= now < w[1]]
    print(json.dumps({"next": later and later[0], "inside": max(inside, key=lambda w: w[0])[0] if inside else None}))
