"""Places of invented stars as independent libraries see them; writes lens.json and night.json beside itself.

lens.json: directions through OpenCV's pinhole model with three radial terms, and refraction by skyfield.
night.json: a list of stars at invented right ascensions and declinations, carried by astropy (ERFA: precession,
nutation, aberration, Earth rotation, refraction at 1010 hPa) to altitude and azimuth at six times in 75 minutes,
and from there by OpenCV through a wide lens to pixels of a 6000 x 4000 frame.
"""
import json
import pathlib

import astropy
import astropy.units as u
import cv2
import numpy as np
import skyfield
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from skyfield.earthlib import refraction

iers.conf.auto_download = False
iers.conf.iers_degraded_accuracy = "warn"
here = pathlib.Path(__file__).parent
rng = np.random.default_rng(20261125)


def opencv(directions, focal, principal, radial):
    k1, k2, k3 = radial
    matrix = np.array([[focal, 0, principal[0]], [0, focal, principal[1]], [0, 0, 1.0]])
    points, _ = cv2.projectPoints(directions.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), matrix,
                                  np.array([k1, k2, 0, 0, k3]))
    return points.reshape(-1, 2)


radial = [-0.09, 0.012, -0.0008]
directions = np.column_stack([rng.uniform(-0.9, 0.9, 40), rng.uniform(-0.6, 0.6, 40), np.ones(40)])
altitudes = [0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 45.0, 70.0]
lens = {
    "focal_px": 3076.0, "principal": [2990.0, 2011.0], "radial": radial,
    "directions": directions.tolist(),
    "points": opencv(directions, 3076.0, [2990.0, 2011.0], radial).tolist(),
    # skyfield scales Bennett's formula by 0.28 P / (T + 273); the factor is taken off.
    "altitude_deg": altitudes,
    "refraction_deg": [float(refraction(a, 10.0, 1010.0)) / (0.28 * 1010.0 / 283.0) for a in altitudes],
}
(here / "lens.json").write_text(json.dumps(lens))

place = EarthLocation(lat=46.5 * u.deg, lon=8.0 * u.deg, height=2000 * u.m)
stars = SkyCoord(rng.uniform(0, 360, 4000) * u.deg, np.degrees(np.arcsin(rng.uniform(-1, 1, 4000))) * u.deg)
start = Time("2026-09-12T21:00:00")
seconds = [0.0, 60.0, 120.0, 2400.0, 4440.0, 4500.0]
# The camera looks south-east, 20 degrees above the horizon.
alt0, az0 = np.radians(20.0), np.radians(140.0)
forward = np.array([np.cos(alt0) * np.sin(az0), np.cos(alt0) * np.cos(az0), np.sin(alt0)])
right = np.array([np.cos(az0), -np.sin(az0), 0.0])
down = np.cross(forward, right)
frames, seen_always = [], np.ones(len(stars), bool)
for secs in seconds:
    sky = stars.transform_to(AltAz(obstime=start + secs * u.s, location=place, pressure=1010 * u.hPa,
                                   temperature=10 * u.deg_C, relative_humidity=0.5, obswl=0.55 * u.micron))
    alt, az = sky.alt.radian, sky.az.radian
    east_north_up = np.column_stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
    camera = east_north_up @ np.column_stack([right, down, forward])
    points = np.full((len(stars), 2), np.nan)
    front = camera[:, 2] > 0.3
    points[front] = opencv(camera[front], 3600.0, [3005.0, 1990.0], [-0.05, 0.004, 0.0])
    inside = (front & (points[:, 0] > 0) & (points[:, 0] < 5999) & (points[:, 1] > 0) & (points[:, 1] < 3999)
              # ERFA takes refraction as A tan z + B tan^3 z, which fails near the horizon.
              & (alt > np.radians(10.0)))
    frames.append(np.where(inside[:, None], points, np.nan))
counts = np.sum([np.isfinite(f[:, 0]) for f in frames], axis=0)
kept = np.flatnonzero(counts >= 2)[:330]
night = {
    "seconds": seconds,
    "stated_focal_px": 3500.0,
    "frames": [[None if np.isnan(x) else [round(float(x), 4), round(float(y), 4)] for x, y in f[kept]] for f in frames],
}
(here / "night.json").write_text(json.dumps(night))
print("opencv", cv2.__version__, "astropy", astropy.__version__, "skyfield", skyfield.__version__,
      "stars", len(kept), [int(np.isfinite(f[kept][:, 0]).sum()) for f in frames])
