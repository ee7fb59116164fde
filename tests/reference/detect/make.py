"""Draws a grey star field and measures it with sep, for tests/detect.rs. See README.md beside this file."""

import pathlib

import cv2
import numpy
import sep
from scipy.special import erf

FOLDER = pathlib.Path(__file__).parent
SIZE = 384
SIGMA = 1.15

random = numpy.random.default_rng(20270311)


def edges(center):
    places = numpy.arange(SIZE + 1) - 0.5 - center
    return numpy.diff(erf(places / (SIGMA * numpy.sqrt(2.0)))) / 2.0


y, x = numpy.mgrid[0:SIZE, 0:SIZE]
truth = []
image = 2000.0 + 0.7 * x + 0.4 * y + 60.0 * numpy.exp(-((x - 300) ** 2 + (y - 330) ** 2) / 4e4)
for row in range(13):
    for column in range(13):
        center_x = 24 + 28 * column + random.uniform(-4, 4)
        center_y = 24 + 28 * row + random.uniform(-4, 4)
        flux = 900.0 * 10 ** random.uniform(0, 2.3)
        truth.append((center_x, center_y, flux))
        image += flux * numpy.outer(edges(center_y), edges(center_x))
image += random.normal(0.0, 30.0, image.shape)
image = numpy.clip(numpy.round(image), 0, 65535).astype(numpy.uint16)
cv2.imwrite(str(FOLDER / "field.png"), image)

data = image.astype(numpy.float64)
background = sep.Background(data, bw=64, bh=64, fw=3, fh=3)
data -= background
found = sep.extract(data, 5.0, err=background.globalrms)
radius, _ = sep.flux_radius(data, found["x"], found["y"], 6.0 * found["a"], 0.5, subpix=5)
win_x, win_y, flag = sep.winpos(data, found["x"], found["y"], 2.0 / 2.35 * radius)
flux, flux_error, _ = sep.sum_circle(data, win_x, win_y, 6.0, err=background.globalrms, bkgann=(8.0, 13.0), subpix=0)

with open(FOLDER / "sep.csv", "w") as table:
    table.write("x,y,flux,flux_error\n")
    for values in sorted(zip(win_x, win_y, flux, flux_error), key=lambda values: -values[2]):
        table.write("{:.4f},{:.4f},{:.1f},{:.1f}\n".format(*values))
with open(FOLDER / "sep-background.csv", "w") as table:
    table.write("x,y,level\n")
    level = background.back()
    for place in [(64, 64), (192, 192), (320, 64), (64, 320), (320, 320)]:
        table.write("{},{},{:.2f}\n".format(*place, level[place[1], place[0]]))
with open(FOLDER / "truth.csv", "w") as table:
    table.write("x,y,flux\n")
    for values in sorted(truth, key=lambda values: -values[2]):
        table.write("{:.4f},{:.4f},{:.1f}\n".format(*values))
# The same search behind a filter of the stars' own shape, as deep as a search can be.
kernel = numpy.outer(edges(SIZE // 2), edges(SIZE // 2))[SIZE // 2 - 4 : SIZE // 2 + 5, SIZE // 2 - 4 : SIZE // 2 + 5]
deep = sep.extract(data, 5.0, err=background.rms(), minarea=1, filter_kernel=kernel, filter_type="matched")
with open(FOLDER / "sep-filtered.csv", "w") as table:
    table.write("x,y\n")
    for values in sorted(zip(deep["x"], deep["y"]), key=lambda values: (values[1], values[0])):
        table.write("{:.2f},{:.2f}\n".format(*values))
print(len(deep), "found behind the filter")
print(len(found), "found; sep", sep.__version__, "numpy", numpy.__version__, "rms", background.globalrms)
