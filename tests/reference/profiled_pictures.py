"""Writes small pictures with color profiles of every kind, and what LittleCMS makes of their colors.

Run: python profiled_pictures.py  (Pillow 13.0.0, tifffile 2026.3.3, numpy; transicc of LittleCMS 2.14)
Each picture is six patches of 16 x 16 pixels. The profiles are built here from their numbers after ICC.1:2022.
"""

import json
import pathlib
import struct
import subprocess

import numpy
import tifffile
from PIL import Image, ImageOps

FOLDER = pathlib.Path(__file__).parent / "profiled_pictures"
PATCHES = [(255, 255, 255), (128, 128, 128), (200, 90, 40), (30, 120, 60), (20, 40, 160), (12, 9, 5)]
D50 = numpy.array([0.9642, 1.0, 0.8249])
BRADFORD = numpy.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def colorants(primaries, white):
    """Columns of XYZ, adapted to D50."""
    xyz = numpy.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    white = numpy.array([white[0] / white[1], 1.0, (1 - white[0] - white[1]) / white[1]])
    matrix = xyz * numpy.linalg.solve(xyz, white)
    gains = numpy.diag((BRADFORD @ D50) / (BRADFORD @ white))
    return numpy.linalg.inv(BRADFORD) @ gains @ BRADFORD @ matrix


def fixed(value):
    return struct.pack(">i", round(value * 65536))


def curve(entries):
    return b"curv" + b"\0" * 4 + struct.pack(">I", len(entries)) + struct.pack(f">{len(entries)}H", *entries)


def parametric(kind, values):
    return b"para" + b"\0" * 4 + struct.pack(">HH", kind, 0) + b"".join(map(fixed, values))


def text(words):
    data = words.encode("utf-16-be")
    return b"mluc" + b"\0" * 4 + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(data), 28) + data


def profile(name, trc, matrix=None):
    tags = {b"desc": text(name), b"cprt": text("Free to use"), b"wtpt": b"XYZ \0\0\0\0" + b"".join(map(fixed, D50))}
    if matrix is None:
        tags[b"kTRC"] = trc
    else:
        for index, letter in enumerate(b"rgb"):
            tags[bytes([letter]) + b"XYZ"] = b"XYZ \0\0\0\0" + b"".join(map(fixed, matrix[:, index]))
            tags[bytes([letter]) + b"TRC"] = trc
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for tag, data in tags.items():
        table += tag + struct.pack(">II", at + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    head = bytearray(128)
    head[8:12] = bytes([4, 0x40, 0, 0])
    head[12:16], head[16:20], head[20:24], head[36:40] = b"mntr", b"GRAY" if matrix is None else b"RGB ", b"XYZ ", b"acsp"
    head[24:36] = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    head[68:80] = b"".join(map(fixed, D50))
    head[0:4] = struct.pack(">I", len(head) + len(table) + len(body))
    return bytes(head) + table + body


def srgb_light(value):
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def picture(depth):
    patches = numpy.array(PATCHES) * (257 if depth == 16 else 1)
    row = numpy.repeat(patches[None, :, :], 16, axis=0)
    return numpy.repeat(row, 16, axis=1).astype(numpy.uint16 if depth == 16 else numpy.uint8)


def littlecms(path, channels):
    """XYZ under D50, percent, of each patch through the profile."""
    lines = "".join("\n".join(str(value) for value in patch[:channels]) + "\n" for patch in PATCHES)
    done = subprocess.run(["transicc", f"-i{path}", "-o*XYZ", "-t1", "-n"], input=lines, capture_output=True, text=True,
                          check=True)
    numbers = [float(word) for word in done.stdout.split()]
    return numpy.array(numbers).reshape(-1, 3).tolist()


def main():
    FOLDER.mkdir(exist_ok=True)
    wide = colorants([(0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)], (0.3457, 0.3585))
    srgb = colorants([(0.64, 0.33), (0.3, 0.6), (0.15, 0.06)], (0.3127, 0.329))
    rec2020 = colorants([(0.708, 0.292), (0.17, 0.797), (0.131, 0.046)], (0.3127, 0.329))
    table = [round(65535 * srgb_light(index / 1023)) for index in range(1024)]
    profiles = {
        "wide_gamma.tif": profile("Wide, exponent 1.8", curve([round(1.8 * 256)]), wide),
        "rec2020_linear.tif": profile("Rec. 2020, linear", curve([]), rec2020),
        "srgb_table.png": profile("sRGB as a table", curve(table), srgb),
        "wide_parametric.jpg": profile("Wide, L* curve", parametric(3, [3.0, 1 / 1.16, 0.16 / 1.16, 1 / 9.033, 0.08]), wide),
        "grey_gamma.png": profile("Grey, exponent 2.2", parametric(0, [2.2])),
    }
    values = {}
    for name, data in profiles.items():
        path = FOLDER / name
        icc = FOLDER / "profile.icc"
        icc.write_bytes(data)
        is_grey = name.startswith("grey")
        values[name] = littlecms(icc, 1 if is_grey else 3)
        icc.unlink()
        if name.endswith(".tif"):
            tifffile.imwrite(path, picture(16), photometric="rgb", iccprofile=data, metadata=None)
        elif is_grey:
            Image.fromarray(picture(8)[:, :, 0]).save(path, icc_profile=data)
        elif name.endswith(".png"):
            Image.fromarray(picture(8)).save(path, icc_profile=data)
        else:
            Image.fromarray(picture(8)).save(path, icc_profile=data, quality=100, subsampling=0)
    # Turned pictures: what Pillow shows upright, as the values of the corners (top left, top right, bottom left).
    turned = {}
    for name, orientation in [("turned_6.jpg", 6), ("turned_8.png", 8), ("turned_3.tif", 3)]:
        plane = picture(8)
        plane[8:, :48] //= 2
        exif = Image.Exif()
        exif[274] = orientation
        options = {"quality": 100, "subsampling": 0} if name.endswith("jpg") else {}
        Image.fromarray(plane).save(FOLDER / name, exif=exif, **options)
        upright = numpy.asarray(ImageOps.exif_transpose(Image.open(FOLDER / name)))
        turned[name] = [upright.shape[1], upright.shape[0],
                        *(int(upright[y, x, 0]) for y, x in [(2, 2), (2, -3), (-3, 2)])]
    values["turned"] = turned
    (FOLDER / "littlecms.json").write_text(json.dumps(values, indent=1) + "\n")


main()
