"""Writes small DNG files of unusual but conformant kinds, one camera raw that only the newer decoder knows, and what
LibRaw reads from each.

Run: python dng_variants.py  (rawpy 0.28.0 with its own LibRaw, numpy, cjxl 0.7.0 of libjxl; imagecodecs 2026.3.6 for
JPEG XL of 12 bits)
The samples are noise from a fixed seed around a slope, so that no row is regular. LibRaw shows the active area; the
crop that is meant to be seen is taken from it here, by the numbers that the script itself has written. JPEG XL is
beyond rawpy's LibRaw: that file is lossless, so the samples that went in are the reference.
"""

import hashlib
import json
import pathlib
import struct
import subprocess
import tempfile

import imagecodecs
import numpy
import rawpy

FOLDER = pathlib.Path(__file__).parent / "dng_variants"
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}
MATRIX = [(7000, 10000), (-1500, 10000), (-500, 10000), (-4000, 10000), (12000, 10000), (2200, 10000),
          (-700, 10000), (1500, 10000), (6000, 10000)]
PATTERNS = {"rggb": (0, 1, 1, 2), "grbg": (1, 0, 2, 1), "gbrg": (1, 2, 0, 1), "bggr": (2, 1, 1, 0)}


def samples(shape, bits, seed):
    random = numpy.random.default_rng(seed)
    slope = numpy.add.outer(numpy.arange(shape[0]), numpy.arange(shape[1])) / sum(shape[:2])
    level = (0.1 + 0.6 * slope) * 2**bits
    if len(shape) == 3:
        level = level[:, :, None] * numpy.array([0.6, 1.0, 0.8])
    return numpy.clip(random.normal(level, numpy.sqrt(level)), 0, 2**bits - 1).astype(numpy.uint16)


def packed(plane, bits):
    rows = plane.reshape(plane.shape[0], -1)
    if bits == 16:
        return rows.astype("<u2").tobytes()
    out = []
    for row in rows:
        text = "".join(format(int(value), f"0{bits}b") for value in row)
        text += "0" * (-len(text) % 8)
        out.append(int(text, 2).to_bytes(len(text) // 8, "big"))
    return b"".join(out)


def lossless_jpeg(plane, bits):
    """ITU-T T.81 process 14, predictor 1, two components of half width, one code for all categories."""
    height, width = plane.shape
    half = plane.reshape(height, width // 2, 2).astype(int)
    # Seventeen categories: fifteen codes of five bits, two of six; the all-ones code stays free.
    table = bytes([0, 0, 0, 0, 15, 2] + [0] * 10) + bytes(range(17))
    codes = {category: format(category, "05b") for category in range(15)}
    codes |= {15: format(30, "06b"), 16: format(31, "06b")}
    out = bytearray(b"\xff\xd8")
    out += b"\xff\xc4" + struct.pack(">HB", 3 + len(table), 0) + table
    out += b"\xff\xc3" + struct.pack(">HBHHB", 14, bits, height, width // 2, 2) + bytes([0, 0x11, 0, 1, 0x11, 0])
    out += b"\xff\xda" + struct.pack(">HB", 10, 2) + bytes([0, 0, 1, 0, 1, 0, 0])
    text = []
    for y in range(height):
        for x in range(width // 2):
            for component in range(2):
                prediction = half[y, x - 1, component] if x else half[y - 1, 0, component] if y else 1 << (bits - 1)
                difference = int(half[y, x, component]) - int(prediction)
                category = abs(difference).bit_length()
                text.append(codes[category])
                if category:
                    code = difference if difference > 0 else difference + (1 << category) - 1
                    text.append(format(code, f"0{category}b"))
    text = "".join(text)
    text += "1" * (-len(text) % 8)
    out += int(text, 2).to_bytes(len(text) // 8, "big").replace(b"\xff", b"\xff\x00")
    return bytes(out + b"\xff\xd9")


def jpeg_xl(plane, bits):
    """A bare lossless codestream."""
    if bits < 16:
        return imagecodecs.jpegxl_encode(plane.astype(numpy.uint16), lossless=True, bitspersample=bits, usecontainer=False)
    with tempfile.TemporaryDirectory() as folder:
        source, target = f"{folder}/in.pgm", f"{folder}/out.jxl"
        head = f"P5 {plane.shape[1]} {plane.shape[0]} {2**bits - 1}\n".encode()
        pathlib.Path(source).write_bytes(head + plane.astype(">u2").tobytes())
        subprocess.run(["cjxl", source, target, "-d", "0", "-e", "3"], check=True, capture_output=True)
        return pathlib.Path(target).read_bytes()


def tiles(plane, side):
    """Tiles of one size, those at the edges filled up by repeating the last samples."""
    height, width = plane.shape
    padded = numpy.pad(plane, ((0, -height % side), (0, -width % side)), mode="edge")
    return [padded[y:y + side, x:x + side] for y in range(0, height, side) for x in range(0, width, side)]


def tiff(path, tags, blocks, offsets_tag):
    def encoded(kind, values):
        if isinstance(values, bytes):
            return values
        if kind in (5, 10):
            return b"".join(struct.pack("<II" if kind == 5 else "<ii", *pair) for pair in values)
        return struct.pack("<" + {3: "H", 4: "I"}[kind] * len(values), *values)

    def head(offsets):
        tags[offsets_tag] = (4, offsets)
        entries, extra = b"", b""
        at = 8 + 2 + 12 * len(tags) + 4
        for tag, (kind, values) in sorted(tags.items()):
            data = encoded(kind, values)
            if len(data) <= 4:
                field = data.ljust(4, b"\0")
            else:
                field = struct.pack("<I", at + len(extra))
                extra += data + b"\0" * (len(data) % 2)
            entries += struct.pack("<HHI", tag, kind, len(data) // SIZES[kind]) + field
        return b"II*\0\x08\0\0\0" + struct.pack("<H", len(tags)) + entries + b"\0" * 4 + extra

    start = len(head([0] * len(blocks)))
    offsets = [start + sum(map(len, blocks[:index])) for index in range(len(blocks))]
    path.write_bytes(head(offsets) + b"".join(blocks))


def write(name, plane, bits=16, pattern="rggb", orientation=1, black=(512,), repeat=(1, 1), white=None, table=None,
          area=None, crop=None, coding="plain", tile=None, neutral=True, deltas=None, extra=None):
    height, width = plane.shape[:2]
    depth = plane.shape[2] if plane.ndim == 3 else 1
    tags = {
        254: (4, [0]), 256: (4, [width]), 257: (4, [height]), 258: (3, [bits] * depth),
        259: (3, [{"plain": 1, "lossless": 7, "jxl": 52546}[coding]]), 262: (3, [34892 if depth == 3 else 32803]),
        271: (2, b"Invented\0"), 272: (2, b"Invented Two\0"), 274: (3, [orientation]), 277: (3, [depth]),
        284: (3, [1]), 50706: (1, bytes([1, 7 if coding == "jxl" else 4, 0, 0])), 50707: (1, bytes([1, 1, 0, 0])),
        50708: (2, b"Invented Two\0"), 50714: (4, list(black)), 50717: (4, [white or 2**bits - 1] * depth),
        50721: (10, MATRIX), 50778: (3, [21]),
    }
    if depth == 1:
        tags |= {33421: (3, [2, 2]), 33422: (1, bytes(PATTERNS[pattern])), 50713: (3, list(repeat))}
    if neutral:
        tags[50728] = (5, [(5, 10), (10, 10), (8, 10)])
    else:
        tags[50729] = (5, [(31270, 100000), (32900, 100000)])
    if table is not None:
        tags[50712] = (3, table)
    if area:
        tags[50829] = (4, list(area))
    if crop:
        tags |= {50719: (4, [crop[0], crop[1]]), 50720: (4, [crop[2], crop[3]])}
    if deltas:
        tags |= {50715: (10, deltas[0]), 50716: (10, deltas[1])}
    tags |= extra or {}
    encode = {"plain": packed, "lossless": lossless_jpeg, "jxl": jpeg_xl}[coding]
    if tile:
        blocks = [encode(part, bits) for part in tiles(plane, tile)]
        tags |= {322: (4, [tile]), 323: (4, [tile]), 325: (4, list(map(len, blocks)))}
        offsets = 324
    else:
        blocks = [encode(plane, bits)]
        tags |= {278: (4, [height]), 279: (4, [len(blocks[0])])}
        offsets = 273
    tiff(FOLDER / name, tags, blocks, offsets)


def digest(plane):
    return hashlib.sha256(numpy.ascontiguousarray(plane).astype("<u2").tobytes()).hexdigest()


def libraw(name, crop=None):
    """What is to be seen of a file, as LibRaw reads it."""
    with rawpy.imread(str(FOLDER / name)) as raw:
        x, y, width, height = crop or (0, 0, raw.sizes.width, raw.sizes.height)
        if raw.raw_type == rawpy.RawType.Stack:
            visible = raw.raw_image_visible[y:y + height, x:x + width, :3]
            planes = [digest(visible[:, :, channel]) for channel in range(3)]
            pattern, black = None, [float(level) for level in raw.black_level_per_channel[:3]]
        else:
            visible = raw.raw_image_visible[y:y + height, x:x + width]
            planes = [digest(visible)]
            colors = raw.raw_colors_visible[y:y + height, x:x + width][:2, :2]
            pattern = colors.tolist()
            black = [float(raw.black_level_per_channel[color]) for color in colors.flatten()]
        return {
            "size": [width, height], "planes_sha256": planes, "pattern": pattern, "black": black,
            "white": int(raw.white_level), "flip": int(raw.sizes.flip),
            "multipliers": [float(value) for value in raw.camera_whitebalance[:3]],
            "color_matrix": [[float(value) for value in row[:3]] for row in raw.color_matrix],
            "first8": [int(value) for value in visible.reshape(visible.shape[0], -1)[0, :8]],
        }


def second_decoder_raw():
    """A camera raw of whole 16-bit samples, whose camera is in the newer table alone."""
    plane = samples((96, 128), 15, 90)
    neutral = [(4700, 10000), (10000, 10000), (6100, 10000)]
    tags = {
        254: (4, [0]), 256: (4, [128]), 257: (4, [96]), 258: (3, [16]), 259: (3, [1]), 262: (3, [32803]),
        271: (2, b"Hasselblad\0"), 272: (2, b"X2D 100C\0"), 274: (3, [6]), 277: (3, [1]), 278: (4, [96]),
        279: (4, [2 * plane.size]), 284: (3, [1]), 50714: (3, [1024]), 50717: (3, [32767]), 50728: (5, neutral),
        # The area that is meant to be seen: left, top, width, height.
        50719: (4, [3, 5]), 50720: (4, [120, 84]),
    }
    tiff(FOLDER / "second_decoder.3fr", tags, [plane.astype("<u2").tobytes()], 273)
    return plane


def main():
    FOLDER.mkdir(exist_ok=True)
    values = {}
    shape = (66, 84)
    turned = {1: "upright", 3: "upside_down", 6: "right", 8: "left"}
    for seed, (pattern, orientation, bits) in enumerate(
            [("rggb", 1, 12), ("grbg", 3, 14), ("gbrg", 6, 12), ("bggr", 8, 14)]):
        name = f"{pattern}_{turned[orientation]}_{bits}.dng"
        write(name, samples(shape, bits, seed), bits, pattern, orientation, black=(60, 61, 62, 63), repeat=(2, 2))
        values[name] = libraw(name)
    table = [round(value**1.3 * 3) + 100 for value in range(4096)]
    table = [min(value, 65535) for value in table]
    write("table_12.dng", samples(shape, 12, 10), 12, table=table, white=65535, black=(1000,))
    values["table_12.dng"] = libraw("table_12.dng")
    write("cropped_even.dng", samples(shape, 16, 11), area=(2, 4, 62, 80), crop=(6, 4, 60, 50))
    values["cropped_even.dng"] = libraw("cropped_even.dng", (6, 4, 60, 50))
    write("cropped_odd.dng", samples(shape, 16, 12), pattern="gbrg", area=(2, 4, 62, 80), crop=(3, 5, 61, 51),
          black=(500, 510, 520, 530), repeat=(2, 2))
    values["cropped_odd.dng"] = libraw("cropped_odd.dng", (3, 5, 61, 51))
    write("lossless_tiles_14.dng", samples(shape, 14, 13), 14, coding="lossless", tile=32)
    values["lossless_tiles_14.dng"] = libraw("lossless_tiles_14.dng")
    write("lossless_16.dng", samples(shape, 16, 14), 16, coding="lossless")
    values["lossless_16.dng"] = libraw("lossless_16.dng")
    write("plain_tiles_16.dng", samples(shape, 16, 15), tile=32)
    values["plain_tiles_16.dng"] = libraw("plain_tiles_16.dng")
    write("black_deltas.dng", samples(shape, 16, 16), black=(500,),
          deltas=([(2, 1)] * shape[1], [(value % 3, 1) for value in range(shape[0])]))
    values["black_deltas.dng"] = libraw("black_deltas.dng")
    write("three_colors.dng", samples((*shape, 3), 16, 17), black=(400, 410, 420))
    values["three_colors.dng"] = libraw("three_colors.dng")
    write("white_by_chromaticity.dng", samples(shape, 16, 18), neutral=False)
    # LibRaw makes no multipliers of it. DNG 1.4: the neutral is the light's XYZ through the camera's matrix.
    x, y = 0.3127, 0.329
    camera_from_xyz = numpy.array([above / below for above, below in MATRIX]).reshape(3, 3)
    seen = camera_from_xyz @ [x / y, 1.0, (1 - x - y) / y]
    values["white_by_chromaticity.dng"] = libraw("white_by_chromaticity.dng") | {
        "multipliers": (seen[1] / seen).tolist()}

    # LibRaw reads no JPEG XL; the tags of color are those of the others.
    matrix = values["rggb_upright_12.dng"]["color_matrix"]
    plane = samples(shape, 16, 19)
    write("jpeg_xl.dng", plane, 16, coding="jxl", black=(512,))
    values["jpeg_xl.dng"] = {
        "size": [84, 66], "planes_sha256": [digest(plane)], "pattern": [[0, 1], [3, 2]], "black": [512.0] * 4,
        "white": 65535, "flip": 0, "multipliers": [2.0, 1.0, 1.25], "color_matrix": matrix,
        "first8": plane[0, :8].tolist(),
    }
    plane = samples(shape, 12, 20)
    # Codes of 12 bits in samples of 16: other depths of JPEG XL are beyond the decoder.
    write("jpeg_xl_tiles_table.dng", plane, 16, coding="jxl", tile=48, table=table, white=65535, black=(1000,))
    plane = numpy.array(table, dtype=numpy.uint16)[plane]
    values["jpeg_xl_tiles_table.dng"] = {
        "size": [84, 66], "planes_sha256": [digest(plane)], "pattern": [[0, 1], [3, 2]], "black": [1000.0] * 4,
        "white": 65535, "flip": 0, "multipliers": [2.0, 1.0, 1.25], "color_matrix": matrix,
        "first8": plane[0, :8].tolist(),
    }

    # Depths that the decoders give up at.
    write("lossless_8.dng", samples(shape, 8, 32), 8, coding="lossless", black=(8,))
    values["lossless_8.dng"] = libraw("lossless_8.dng")
    plane = samples(shape, 12, 33)
    write("jpeg_xl_12.dng", plane, 12, coding="jxl", tile=48, black=(128,))
    values["jpeg_xl_12.dng"] = {
        "size": [84, 66], "planes_sha256": [digest(plane)], "pattern": [[0, 1], [3, 2]], "black": [128.0] * 4,
        "white": 4095, "flip": 0, "multipliers": [2.0, 1.0, 1.25], "color_matrix": matrix,
        "first8": plane[0, :8].tolist(),
    }

    # 3FR has no crop for LibRaw in so small a picture: what the tags say is taken from the samples.
    plane = second_decoder_raw()
    visible = plane[5:89, 3:123]
    values["second_decoder.3fr"] = {
        "size": [120, 84], "planes_sha256": [digest(visible)], "pattern": [[2, 1], [3, 0]], "black": [1024.0] * 4,
        "white": 32767, "flip": 6, "multipliers": [10000 / 4700, 1.0, 10000 / 6100],
        "first8": visible[0, :8].tolist(),
    }
    # Not Bayer: to be refused by name.
    xtrans = "GGRGGB GGBGGR BRGRBG GGBGGR GGRGGB RBGBRG".replace(" ", "")
    quad = "RRGGRRGGGGBBGGBB"
    for name, side, letters in [("xtrans.dng", 6, xtrans), ("quad.dng", 4, quad), ("cmyg.dng", 2, "CMYG")]:
        codes = bytes("RGBCMYW".index(letter) for letter in letters)
        write(name, samples(shape, 16, 30), extra={33421: (3, [side, side]), 33422: (1, codes)})
    write("staggered.dng", samples(shape, 16, 31), extra={50711: (3, [2])})
    (FOLDER / "libraw.json").write_text(json.dumps(values, indent=1) + "\n")
    print(rawpy.__version__, rawpy.libraw_version)


main()
