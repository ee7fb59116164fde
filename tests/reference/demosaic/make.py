"""Colours of an invented mosaic by colour-demosaicing (Malvar, He, Cutler 2004), all four Bayer phases."""

import json
import numpy as np
from colour_demosaicing import demosaicing_CFA_Bayer_Malvar2004

random = np.random.default_rng(4)
WIDTH, HEIGHT = 14, 11
cases = []
for pattern in ("RGGB", "GRBG", "GBRG", "BGGR"):
    mosaic = random.uniform(-0.1, 1.0, (HEIGHT, WIDTH)).astype(np.float32)
    colors = demosaicing_CFA_Bayer_Malvar2004(mosaic.astype(np.float64), pattern)
    cases.append(
        dict(
            pattern=pattern,
            width=WIDTH,
            height=HEIGHT,
            mosaic=[float(value) for value in mosaic.ravel()],
            red=[round(float(value), 7) for value in colors[..., 0].ravel()],
            green=[round(float(value), 7) for value in colors[..., 1].ravel()],
            blue=[round(float(value), 7) for value in colors[..., 2].ravel()],
        )
    )
with open("values.json", "w") as file:
    file.write("[\n" + ",\n".join(json.dumps(case) for case in cases) + "\n]\n")
