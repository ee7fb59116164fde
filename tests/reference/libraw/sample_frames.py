"""What LibRaw (through rawpy) and tifffile read from the sample frames: writes sample_frames.json beside this file."""

import json
import pathlib

import numpy
import rawpy
import tifffile

HERE = pathlib.Path(__file__).parent
FRAMES = HERE.parents[2] / "sample-frames"


def checksum(samples):
    """Sum of sample times place, places counted from 1 and starting again after 65521, modulo 2**64."""
    places = numpy.arange(samples.size, dtype=numpy.uint64) % 65521 + 1
    return int((samples.ravel().astype(numpy.uint64) * places).sum(dtype=numpy.uint64))


def exif(path):
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        tags = page.tags[34665].value
        return {
            "make": page.tags[271].value,
            "model": page.tags[272].value,
            "orientation": int(page.tags[274].value),
            "time": tags["DateTimeOriginal"],
            "time_fraction": tags["SubsecTimeOriginal"],
            "time_offset": tags["OffsetTimeOriginal"],
            "exposure_secs": tags["ExposureTime"][0] / tags["ExposureTime"][1],
            "aperture": tags["FNumber"][0] / tags["FNumber"][1],
            "focal_mm": tags["FocalLength"][0] / tags["FocalLength"][1],
            "iso": int(tags["ISOSpeedRatings"]),
            "lens": tags["LensModel"],
        }


def describe(path):
    with rawpy.imread(str(path)) as raw:
        samples = raw.raw_image_visible
        letters = raw.color_desc.decode()
        return {
            "file": str(path.relative_to(FRAMES)),
            "width": samples.shape[1],
            "height": samples.shape[0],
            "pattern": "".join(letters[color] for color in raw.raw_pattern.ravel()),
            "black": [int(level) for level in raw.black_level_per_channel],
            "white": int(raw.white_level),
            "as_shot_gain": [float(gain) for gain in raw.camera_whitebalance[:3]],
            "daylight_gain": [float(gain / raw.daylight_whitebalance[1]) for gain in raw.daylight_whitebalance[:3]],
            "flip": int(raw.sizes.flip),
            "color_matrix": [[float(value) for value in row[:3]] for row in raw.color_matrix],
            "minimum": int(samples.min()),
            "maximum": int(samples.max()),
            "sum": int(samples.sum(dtype=numpy.uint64)),
            "checksum": checksum(samples),
            "exif": exif(path),
        }


paths = sorted(FRAMES.glob("*.dng")) + sorted(FRAMES.glob("darks/*.dng"))
result = {
    "rawpy": rawpy.__version__,
    "libraw": ".".join(map(str, rawpy.libraw_version)),
    "tifffile": tifffile.__version__,
    "frames": [describe(path) for path in paths],
}
(HERE / "sample_frames.json").write_text(json.dumps(result, indent=1) + "\n")
