"""Sun and Moon of some hundred nights, from skyfield and the JPL ephemeris DE421.

Writes nights.csv beside itself: for each place and date the first passage of each kind between the
bounds that the program documents, as Unix seconds (empty: does not happen), how fast the body
climbs there (degrees a minute), and the lit share of the Moon at local midnight.
Run: python make_nights.py
"""

import csv
import datetime as dt
import multiprocessing
import pathlib
import warnings
import zoneinfo

warnings.simplefilter("ignore")
import numpy as np
import skyfield_data
from skyfield import almanac
from skyfield.api import Loader, wgs84

PLACES = [
    ("Alps", 46.5, 8.0, "Europe/Zurich"),
    ("Atacama", -24.6, -70.4, "America/Santiago"),
    ("Auckland", -36.85, 174.76, "Pacific/Auckland"),
    ("Boston", 42.3333, -71.0833, "America/New_York"),
    ("Chatham", -44.0, -176.5, "Pacific/Chatham"),
    ("Kathmandu", 27.72, 85.32, "Asia/Kathmandu"),
    ("Kiruna", 67.86, 20.23, "Europe/Stockholm"),
    ("Lord Howe", -31.55, 159.08, "Australia/Lord_Howe"),
    ("Longyearbyen", 78.22, 15.64, "Arctic/Longyearbyen"),
    ("Mauna Kea", 19.82, -155.47, "Pacific/Honolulu"),
    ("McMurdo", -77.85, 166.67, "Antarctica/McMurdo"),
    ("Nairobi", -1.29, 36.82, "Africa/Nairobi"),
    ("Quito", -0.18, -78.47, "America/Guayaquil"),
    ("Reykjavik", 64.15, -21.94, "Atlantic/Reykjavik"),
    ("St John's", 47.56, -52.71, "America/St_Johns"),
    ("Tromso", 69.65, 18.96, "Europe/Oslo"),
    ("Urumqi", 43.83, 87.62, "Asia/Shanghai"),
    ("Ushuaia", -54.8, -68.3, "America/Argentina/Ushuaia"),
]

DATES = [
    "1996-02-28", "2005-06-20", "2016-12-31", "2024-02-29", "2026-01-17", "2026-03-28", "2026-04-04",
    "2026-05-30", "2026-06-21", "2026-08-12", "2026-09-23", "2026-10-24", "2026-11-25", "2026-12-21",
    "2027-03-13", "2027-03-27", "2038-07-03", "2049-10-10",
]

KINDS = [
    ("sunset", "sun", -50 / 60, "set"), ("civil_dusk", "sun", -6.0, "set"),
    ("nautical_dusk", "sun", -12.0, "set"), ("astronomical_dusk", "sun", -18.0, "set"),
    ("astronomical_dawn", "sun", -18.0, "rise"), ("nautical_dawn", "sun", -12.0, "rise"),
    ("civil_dawn", "sun", -6.0, "rise"), ("sunrise", "sun", -50 / 60, "rise"),
    ("moonrise", "moon", None, "rise"), ("moonset", "moon", None, "set"),
]

loader = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
ts = loader.timescale(builtin=True)
eph = loader("de421.bsp")
earth, sun, moon = eph["earth"], eph["sun"], eph["moon"]
MOON_RADIUS_KM = 1737.4  # 0.2725 Earth radii


def altitudes(observer, body, unix):
    """Apparent altitude without refraction in degrees, and distance in km."""
    altitude, _, distance = observer.at(from_unix(unix)).observe(eph[body]).apparent().altaz()
    return altitude.degrees, distance.km


def heights(altitude, distance_km, threshold):
    """Degrees above the altitude at which the body counts as risen."""
    if threshold is None:
        threshold = -34 / 60 - np.degrees(np.arcsin(MOON_RADIUS_KM / distance_km))
    return altitude - threshold


def scan(observer, body, start, end):
    """Altitudes on every minute between two datetimes."""
    n = int((end - start).total_seconds() // 60) + 1
    grid = start.timestamp() + 60.0 * np.arange(n)
    return grid, *altitudes(observer, body, grid)


def passages(observer, body, threshold, scanned):
    """Every change of sign in a scan, bisected to 1/20 s."""
    grid = scanned[0]
    values = heights(*scanned[1:], threshold)
    found = []
    for i in np.nonzero((values[:-1] < 0) != (values[1:] < 0))[0]:
        low, high = grid[i], grid[i + 1]
        while high - low > 0.05:
            middle = (low + high) / 2
            if (heights(*altitudes(observer, body, middle), threshold) < 0) == (values[i] < 0):
                low = middle
            else:
                high = middle
        found.append(((low + high) / 2, "rise" if values[i] < 0 else "set", abs(values[i + 1] - values[i])))
    return found


def from_unix(unix):
    """Whole days and the seconds of the day apart: seconds alone would miss the leap seconds since."""
    days, seconds = np.divmod(np.asarray(unix), 86400.0)
    return ts.utc(1970, 1, 1 + days, 0, 0, seconds)


def solar_midnight(observer, noon):
    """First lower transit of the Sun from 12:00 local time on."""
    times, events = almanac.find_discrete(
        ts.from_datetime(noon), ts.from_datetime(noon + dt.timedelta(hours=24.2)),
        almanac.meridian_transits(eph, sun, observer.vector_functions[-1]))
    return next(t for t, e in zip(times, events) if e == 0).utc_datetime()


def lit_share(when):
    return float(almanac.fraction_illuminated(eph, "moon", ts.from_datetime(when)))


def night(name, latitude, longitude, zone, date):
    observer = earth + wgs84.latlon(latitude, longitude)
    tz = zoneinfo.ZoneInfo(zone)
    day = dt.date.fromisoformat(date)
    after = day + dt.timedelta(days=1)
    utc = dt.timezone.utc
    noon = dt.datetime(day.year, day.month, day.day, 12, tzinfo=tz).astimezone(utc)
    next_noon = dt.datetime(after.year, after.month, after.day, 12, tzinfo=tz).astimezone(utc)
    midnight = dt.datetime(after.year, after.month, after.day, 0, tzinfo=tz).astimezone(utc)
    low = solar_midnight(observer, noon)
    half = dt.timedelta(hours=12)
    row = dict(place=name, latitude=latitude, longitude=longitude, zone=zone, date=date)
    scans = {
        "sun": scan(observer, "sun", low - half, low + half),
        "moon": scan(observer, "moon", noon, next_noon),
    }
    for kind, body, threshold, way in KINDS:
        found = passages(observer, body, threshold, scans[body])
        same = [p for p in found if p[1] == way]
        if body == "sun" and way == "rise":
            dusk = next((p[0] for p in found if p[1] == "set"), -1e30)
            same = [p for p in same if p[0] > dusk][-1:]
        row[kind] = f"{same[0][0]:.1f}" if same else ""
        row[kind + "_rate"] = f"{same[0][2]:.5f}" if same else ""
    row["lit"] = f"{lit_share(midnight):.5f}"
    return row


if __name__ == "__main__":
    with multiprocessing.Pool(2) as pool:
        rows = pool.starmap(night, [(*place, date) for place in PLACES for date in DATES])
    with open(pathlib.Path(__file__).with_name("nights.csv"), "w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(len(rows), "nights")
