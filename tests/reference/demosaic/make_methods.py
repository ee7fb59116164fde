"""Colours of an invented mosaic by two more methods of colour-demosaicing, all four Bayer phases."""

import json
import numpy as np
from colour_demosaicing import demosaicing_CFA_Bayer_bilinear, demosaicing_CFA_Bayer_Menon2007

random = np.random.default_rng(5)
WIDTH, HEIGHT = 22, 21
methods = {
    "bilinear": demosaicing_CFA_Bayer_bilinear,
    "directional": lambda mosaic, pattern: demosaicing_CFA_Bayer_Menon2007(mosaic, pattern, refining_step=False),
}
mosaic = random.uniform(-0.1, 1.0, (HEIGHT, WIDTH)).astype(np.float32)
cases = []
for method, run in methods.items():
    for pattern in ("RGGB", "GRBG", "GBRG", "BGGR"):
        colors = run(mosaic.astype(np.float64), pattern)
        plane = lambda channel: [round(float(value), 6) for value in colors[..., channel].ravel()]
        cases.append(dict(method=method, pattern=pattern, red=plane(0), green=plane(1), blue=plane(2)))
samples = [float(value) for value in mosaic.ravel()]
with open("methods.json", "w") as file:
    json.dump(dict(width=WIDTH, height=HEIGHT, mosaic=samples, cases=cases), file)
