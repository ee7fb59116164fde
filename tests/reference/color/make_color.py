"""Reference values of color arithmetic, made with colour-science; see README.md."""

import json
import pathlib
import warnings

warnings.filterwarnings("ignore")
import colour
import numpy as np

OBSERVER = "CIE 1931 2 Degree Standard Observer"
LIGHTS = [0.0, 0.0005, 0.002, 0.0031, 0.0032, 0.01, 0.018, 0.0181, 0.05, 0.18, 0.5, 0.9, 1.0]


def rows(matrix):
    return [[float(element) for element in row] for row in np.asarray(matrix)]


def matrix(name):
    space = colour.RGB_COLOURSPACES[name].copy()
    return rows(colour.normalised_primary_matrix(space.primaries, np.array([0.3127, 0.3290])))


def main():
    d65 = colour.xy_to_XYZ([0.3127, 0.3290])
    d50 = np.array([0.9642, 1.0, 0.8249])
    a = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS[OBSERVER]["A"])
    values = {
        "made_with": f"colour-science {colour.__version__}, numpy {np.__version__}",
        "xyz_from_srgb": matrix("sRGB"),
        "xyz_from_rec2020": matrix("ITU-R BT.2020"),
        "bradford_d50_from_d65": rows(colour.adaptation.matrix_chromatic_adaptation_VonKries(d65, d50, "Bradford")),
        "bradford_d65_from_a": rows(colour.adaptation.matrix_chromatic_adaptation_VonKries(a, d65, "Bradford")),
        "illuminant_a": [float(x) for x in a],
        "d55": [float(x) for x in colour.CCS_ILLUMINANTS[OBSERVER]["D55"]],
        "black_body_3200": [float(x) for x in colour.XYZ_to_xy(colour.sd_to_XYZ(colour.sd_blackbody(3200)))],
        "lights": LIGHTS,
        "srgb": [float(x) for x in colour.models.eotf_inverse_sRGB(LIGHTS)],
        "rec2020": [float(x) for x in colour.models.oetf_BT2020(LIGHTS, is_12_bits_system=True)],
    }
    target = pathlib.Path(__file__).with_name("color.json")
    target.write_text(json.dumps(values, indent=1) + "\n")


if __name__ == "__main__":
    main()
