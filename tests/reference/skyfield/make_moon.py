"""The Moon's apparent geocentric place on 400 seeded dates, from skyfield and DE421: moon_places.csv.

Then fits what the program's tables (parsed from moon_terms.rs) leave over against 3000 dates to every
single term, and prints the largest amplitudes: a wrong digit would stand out as its own term.
Run: python make_moon.py
"""

import pathlib
import re
import warnings

warnings.simplefilter("ignore")
import numpy as np
import skyfield_data
from skyfield.api import Loader
from skyfield.framelib import ecliptic_frame

here = pathlib.Path(__file__).parent
loader = Loader(skyfield_data.get_skyfield_data_path(), verbose=False)
ts = loader.timescale(builtin=True)
eph = loader("de421.bsp")
rng = np.random.default_rng(20261125)


def apparent(days_tt):
    return eph["earth"].at(ts.tt_jd(days_tt)).observe(eph["moon"]).apparent()


def write_places():
    days = np.sort(rng.uniform(2_415_200.0, 2_469_700.0, 400)).round(4)  # 1900 to 2049
    ra, dec, distance = apparent(days).radec("date")
    rows = ["day_tt,right_ascension_deg,declination_deg,distance_km"]
    rows += [f"{d:.4f},{15 * a:.6f},{b:.6f},{r:.2f}" for d, a, b, r in zip(days, ra.hours, dec.degrees, distance.km)]
    (here / "moon_places.csv").write_text("\n".join(rows) + "\n")


def tables():
    text = (here / "../../../src/plan/moon_terms.rs").resolve().read_text()
    first = text[text.index("LONGITUDE_AND_DISTANCE"):text.index("LATITUDE:")]
    second = text[text.index("LATITUDE:"):]
    read = lambda part: [[float(x.replace("_", "")) for x in re.findall(r"-?\d[\d_]*(?:\.\d+)?", row)]
                         for row in re.findall(r"\(\[-?\d[^)]*\)", part)]
    return np.array(read(first)), np.array(read(second))


def residuals():
    days = rng.uniform(2_440_000.0, 2_469_700.0, 3000)  # 1968 to 2049
    t = (days - 2451545.0) / 36525
    poly = lambda *c: np.polynomial.polynomial.polyval(t, c)
    lp = poly(218.3164477, 481267.88123421, -0.0015786, 1 / 538841, -1 / 65194000)
    args = np.radians(np.array([
        poly(297.8501921, 445267.1114034, -0.0018819, 1 / 545868, -1 / 113065000),
        poly(357.5291092, 35999.0502909, -0.0001536, 1 / 24490000),
        poly(134.9633964, 477198.8675055, 0.0087414, 1 / 69699, -1 / 14712000),
        poly(93.2720950, 483202.0175233, -0.0036539, -1 / 3526000, 1 / 863310000)]))
    e = poly(1, -0.002516, -0.0000074)
    a1, a2, a3 = np.radians(119.75 + 131.849 * t), np.radians(53.09 + 479264.29 * t), np.radians(313.45 + 481266.484 * t)
    lpr, f, mp = np.radians(lp), args[3], args[2]
    l_table, b_table = tables()
    assert len(l_table) == 60 and len(b_table) == 60
    fade = lambda table: e[None, :] ** np.abs(table[:, 1:2])
    l_angle, b_angle = l_table[:, :4] @ args, b_table[:, :4] @ args
    lon = (l_table[:, 4:5] * fade(l_table) * np.sin(l_angle)).sum(0)
    lon += 3958 * np.sin(a1) + 1962 * np.sin(lpr - f) + 318 * np.sin(a2)
    dist = (l_table[:, 5:6] * fade(l_table) * np.cos(l_angle)).sum(0)
    lat = (b_table[:, 4:5] * fade(b_table) * np.sin(b_angle)).sum(0)
    lat += (-2235 * np.sin(lpr) + 382 * np.sin(a3) + 175 * (np.sin(a1 - f) + np.sin(a1 + f))
            + 127 * np.sin(lpr - mp) - 115 * np.sin(lpr + mp))
    seen = apparent(days)
    b, l, r = seen.frame_latlon(ecliptic_frame)
    # The frame is the true one of date: nutation in longitude is taken off.
    nutation = np.degrees(ts.tt_jd(days)._nutation_angles_radians[0])
    d_lon = ((l.degrees - nutation - lp - lon / 1e6 + 180) % 360 - 180) * 1e6
    d_lat = (b.degrees - lat / 1e6) * 1e6
    d_dist = r.km * 1000 - 385000560 - dist
    for name, rest, angle, table, wave, unit in [
        ("longitude", d_lon, l_angle, l_table, np.sin, "1e-6 deg"),
        ("distance", d_dist, l_angle, l_table, np.cos, "m"),
        ("latitude", d_lat, b_angle, b_table, np.sin, "1e-6 deg"),
    ]:
        waves = wave(angle)
        # Slow drifts of the mean motions are no matter of the table.
        design = np.vstack([waves, np.ones_like(t), t, t * t]).T
        amplitude = np.linalg.lstsq(design, rest, rcond=None)[0][:60]
        order = np.argsort(-np.abs(amplitude))[:6]
        print(f"{name}: rest rms {rest.std():.0f}, worst {np.abs(rest).max():.0f} {unit}; largest amplitudes:")
        for i in order:
            print(f"  {table[i, :4].astype(int)} {amplitude[i]:8.1f}")


if __name__ == "__main__":
    write_places()
    residuals()
