"""Camera RGB to linear sRGB after the DNG specification 1.7, chapter 6, by numpy and colour-science (temperature after
Robertson (1968), Bradford adaptation): an answer apart from the project's own. Writes camera_space.csv."""
import colour
import numpy as np
from colour.adaptation import matrix_chromatic_adaptation_VonKries as adaptation
from colour.temperature import uv_to_CCT_Robertson1968

A = np.array([[1.05, -0.42, -0.06], [-0.38, 1.21, 0.19], [-0.03, 0.14, 0.52]])
D65 = np.array([[0.86, -0.27, -0.09], [-0.45, 1.26, 0.21], [-0.07, 0.18, 0.63]])
FORWARD_A = np.array([[0.52, 0.31, 0.1342], [0.22, 0.86, -0.08], [0.02, -0.15, 0.9549]])
FORWARD_D65 = np.array([[0.60, 0.24, 0.1242], [0.26, 0.79, -0.05], [0.03, -0.09, 0.8849]])
OWN = np.diag([1.02, 1.0, 0.97])
D50_XYZ = np.array([0.9642, 1.0, 0.8249])
SRGB = colour.RGB_COLOURSPACES["sRGB"]


def temperature(xy):
    return float(uv_to_CCT_Robertson1968(colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(xy))))[0])


def mix(a, b, kelvin):
    share = np.clip((1 / kelvin - 1 / 2856) / (1 / 6504 - 1 / 2856), 0, 1)
    return a * (1 - share) + b * share


def case(neutral, forward, own):
    calibration = OWN if own else np.eye(3)
    xy = np.array([0.3457, 0.3585])
    for _ in range(200):
        xyz = np.linalg.solve(calibration @ mix(A, D65, temperature(xy)), neutral)
        xy = xyz[:2] / xyz.sum()
    kelvin = temperature(xy)
    if forward:
        reference = np.linalg.solve(calibration, neutral)
        to_d50 = mix(FORWARD_A, FORWARD_D65, kelvin) @ np.diag(1 / reference) @ np.linalg.inv(calibration)
    else:
        to_d50 = adaptation(colour.xy_to_XYZ(xy), D50_XYZ, "Bradford") @ np.linalg.inv(calibration @ mix(A, D65, kelvin))
    whole = to_d50 @ np.diag(neutral)
    white = whole @ np.ones(3)
    # exactly neutral: the camera's white is turned to the output's
    rgb = np.linalg.inv(SRGB.matrix_RGB_to_XYZ) @ adaptation(white / white[1], colour.xy_to_XYZ(SRGB.whitepoint), "Bradford") @ whole / white[1]
    return [xy[0], xy[1], kelvin, *rgb.ravel()]


with open("camera_space.csv", "w") as out:
    out.write("red,green,blue,forward,own,x,y,kelvin," + ",".join(f"m{i}" for i in range(9)) + "\n")
    for neutral in ([0.45, 1.0, 0.62], [0.62, 1.0, 0.41], [0.52, 1.0, 0.52]):
        for forward in (0, 1):
            for own in (0, 1):
                row = case(np.array(neutral), forward, own)
                out.write(",".join(str(v) for v in [*neutral, forward, own]) + "," + ",".join(f"{v:.7g}" for v in row) + "\n")
