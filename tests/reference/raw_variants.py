"""Writes small DNG files of every kind that is read, and what LibRaw reads from each.

Run: python raw_variants.py  (rawpy 0.28.0 with its own LibRaw, numpy)
The samples are noise from a fixed seed around a slope, so that no row is regular.
"""

import hashlib
import json
import pathlib
import struct

import numpy
import rawpy

FOLDER = pathlib.Path(__file__).parent / "raw_variants"
WIDTH, HEIGHT = 84, 66
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}


def samples(bits, seed):
    random = numpy.random.default_rng(seed)
    slope = numpy.add.outer(numpy.arange(HEIGHT), numpy.arange(WIDTH)) / (HEIGHT + WIDTH)
    level = (0.1 + 0.6 * slope) * 2**bits
    return numpy.clip(random.normal(level, numpy.sqrt(level)), 0, 2**bits - 1).astype(numpy.uint16)


def packed(rows, bits, order):
    if bits == 16:
        return [row.astype(order + "u2").tobytes() for row in rows]
    if bits == 8:
        return [row.astype("u1").tobytes() for row in rows]
    lines = []
    for row in rows:
        text = "".join(format(int(value), f"0{bits}b") for value in row)
        text += "0" * (-len(text) % 8)
        lines.append(int(text, 2).to_bytes(len(text) // 8, "big"))
    return lines


def lossless_jpeg(plane, bits):
    """ITU-T T.81 process 14, predictor 1, two components of half width, one code for all categories."""
    half = plane.reshape(HEIGHT, WIDTH // 2, 2)
    # Sixteen codes of five bits, and the all-ones code stays free.
    table = bytes([0, 0, 0, 0, 16] + [0] * 11) + bytes(range(16))
    out = bytearray(b"\xff\xd8")
    out += b"\xff\xc4" + struct.pack(">HB", 3 + len(table), 0) + table
    out += b"\xff\xc3" + struct.pack(">HBHHB", 14, bits, HEIGHT, WIDTH // 2, 2) + bytes([0, 0x11, 0, 1, 0x11, 0])
    out += b"\xff\xda" + struct.pack(">HB", 10, 2) + bytes([0, 0, 1, 0, 1, 0, 0])
    text = []
    for y in range(HEIGHT):
        for x in range(WIDTH // 2):
            for component in range(2):
                if x:
                    prediction = half[y, x - 1, component]
                elif y:
                    prediction = half[y - 1, 0, component]
                else:
                    prediction = 1 << (bits - 1)
                difference = int(half[y, x, component]) - int(prediction)
                category = abs(difference).bit_length()
                text.append(format(category, "05b"))
                if category:
                    code = difference if difference > 0 else difference + (1 << category) - 1
                    text.append(format(code, f"0{category}b"))
    text = "".join(text)
    text += "1" * (-len(text) % 8)
    out += int(text, 2).to_bytes(len(text) // 8, "big").replace(b"\xff", b"\xff\x00")
    return bytes(out + b"\xff\xd9")


def dng(path, plane, bits, order="<", rows_per_strip=HEIGHT, compression=1, area=None, pattern=(0, 1, 1, 2),
        black=(64, 65, 66, 67), repeat=(2, 2), white=None, table=None, orientation=1):
    if compression == 7:
        strips = [lossless_jpeg(plane, bits)]
        rows_per_strip = HEIGHT
    else:
        lines = packed(plane, bits, order)
        strips = [b"".join(lines[y:y + rows_per_strip]) for y in range(0, HEIGHT, rows_per_strip)]
    main = {
        254: (4, [0]), 256: (4, [WIDTH]), 257: (4, [HEIGHT]), 258: (3, [bits]), 259: (3, [compression]),
        262: (3, [32803]), 271: (2, b"Invented\0"), 272: (2, b"Invented One\0"), 273: (4, [0] * len(strips)),
        274: (3, [orientation]), 277: (3, [1]), 278: (4, [rows_per_strip]),
        279: (4, [len(strip) for strip in strips]), 284: (3, [1]), 33421: (3, [2, 2]), 33422: (1, bytes(pattern)),
        50706: (1, bytes([1, 4, 0, 0])), 50707: (1, bytes([1, 1, 0, 0])), 50708: (2, b"Invented One\0"),
        50713: (3, list(repeat)), 50714: (4, list(black)), 50717: (4, [white or 2**bits - 1]),
        50721: (10, [(7000, 10000), (-1500, 10000), (-500, 10000), (-4000, 10000), (12000, 10000), (2200, 10000),
                     (-700, 10000), (1500, 10000), (6000, 10000)]),
        50728: (5, [(5, 10), (10, 10), (8, 10)]), 50778: (3, [21]),
    }
    if area:
        main[50829] = (4, list(area))
    if table is not None:
        main[50712] = (3, list(table))
    formats = {3: "H", 4: "I"}

    def encoded(kind, values):
        if isinstance(values, bytes):
            return values
        if kind == 5:
            return b"".join(struct.pack(order + "II", *pair) for pair in values)
        if kind == 10:
            return b"".join(struct.pack(order + "ii", *pair) for pair in values)
        return struct.pack(order + formats[kind] * len(values), *values)

    def file_with(offsets):
        main[273] = (4, offsets)
        entries, extra = b"", b""
        at = 8 + 2 + 12 * len(main) + 4
        for tag, (kind, values) in sorted(main.items()):
            data = encoded(kind, values)
            count = len(data) // SIZES[kind]
            if len(data) <= 4:
                field = data.ljust(4, b"\0")
            else:
                field = struct.pack(order + "I", at + len(extra))
                extra += data + b"\0" * (len(data) % 2)
            entries += struct.pack(order + "HHI", tag, kind, count) + field
        head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
        return head + struct.pack(order + "H", len(main)) + entries + b"\0" * 4 + extra

    head = file_with([0] * len(strips))
    offsets = [len(head) + sum(map(len, strips[:index])) for index in range(len(strips))]
    path.write_bytes(file_with(offsets) + b"".join(strips))


def main():
    FOLDER.mkdir(exist_ok=True)
    square = [round(value * value / 255) + 64 for value in range(256)]
    variants = {
        "plain_16.dng": dict(bits=16),
        "big_endian_16.dng": dict(bits=16, order=">"),
        "packed_14.dng": dict(bits=14),
        "packed_12_strips.dng": dict(bits=12, rows_per_strip=10),
        "packed_10.dng": dict(bits=10, black=(20,), repeat=(1, 1)),
        "table_8.dng": dict(bits=8, table=square, white=319, black=(64,), repeat=(1, 1)),
        "odd_margins.dng": dict(bits=16, area=(3, 5, 61, 80)),
        "blue_first.dng": dict(bits=16, pattern=(2, 1, 1, 0)),
        "green_first_turned.dng": dict(bits=16, pattern=(1, 0, 2, 1), orientation=6),
        "lossless_14.dng": dict(bits=14, compression=7),
    }
    values = {}
    for seed, (name, options) in enumerate(variants.items()):
        dng(FOLDER / name, samples(options["bits"], seed), **options)
        with rawpy.imread(str(FOLDER / name)) as raw:
            visible = numpy.ascontiguousarray(raw.raw_image_visible).astype("<u2")
            pattern = raw.raw_colors_visible[:2, :2]
            black = [[float(raw.black_level_per_channel[color]) for color in row] for row in pattern]
            values[name] = {
                "visible_origin": [raw.sizes.top_margin, raw.sizes.left_margin],
                "visible_shape": list(visible.shape),
                "visible_sha256": hashlib.sha256(visible.tobytes()).hexdigest(),
                "first8": visible[0, :8].tolist(),
                "pattern": pattern.tolist(),
                "black_by_position": black,
                "white": int(raw.white_level),
                "flip": int(raw.sizes.flip),
                "color_matrix": [[float(value) for value in row[:3]] for row in raw.color_matrix],
                "camera_white_balance": [float(value) for value in raw.camera_whitebalance],
            }
    (FOLDER / "libraw.json").write_text(json.dumps(values, indent=1) + "\n")
    print(rawpy.__version__, rawpy.libraw_version)


main()
