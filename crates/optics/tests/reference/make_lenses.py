"""Makes lenses.csv: pixels of directions through lenses, by OpenCV.

Provenance: OpenCV 5.0.0 (opencv-python-headless 5.0.0.93), cv2.projectPoints (Brown-Conrady, radial part)
and cv2.fisheye.projectPoints with no distortion (equidistant, r = f theta). Run here: python make_lenses.py
"""
import cv2
import numpy as np

rows = []
zero = np.zeros(3)
for name, f, cx, cy, k in [
    ("rectilinear", 2000.0, 1499.5, 999.5, (0.0, 0.0, 0.0)),
    ("rectilinear", 2000.0, 1502.5, 997.7, (-0.03, 0.004, 0.0)),
    ("rectilinear", 1400.0, 1490.0, 1010.0, (-0.12, 0.05, -0.008)),
    ("rectilinear", 9000.0, 1499.5, 999.5, (0.08, 0.0, 0.0)),
    ("equidistant", 900.0, 1499.5, 999.5, (0.0, 0.0, 0.0)),
]:
    K = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    widest = 35.0 if name == "rectilinear" else 85.0
    if f > 5000:
        widest = 12.0
    for theta in np.radians(np.linspace(0.5, widest, 6)):
        for phi in np.radians([10.0, 130.0, 250.0]):
            d = np.array([[np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)]])
            if name == "rectilinear":
                p, _ = cv2.projectPoints(d, zero, zero, K, np.array([k[0], k[1], 0, 0, k[2]]))
            else:
                p, _ = cv2.fisheye.projectPoints(d.reshape(1, 1, 3), zero, zero, K, np.zeros(4))
            x, y = p.ravel()
            rows.append((name, f, cx, cy, *k, *d[0], x, y))
with open("lenses.csv", "w") as out:
    out.write("# cv2 5.0.0 projectPoints and fisheye.projectPoints; see make_lenses.py\n")
    out.write("projection,focal_px,cx,cy,k1,k2,k3,dx,dy,dz,x,y\n")
    for r in rows:
        out.write(r[0] + "," + ",".join(f"{v:.12g}" for v in r[1:]) + "\n")
