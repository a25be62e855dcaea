"""Makes guided.csv: an image, what OpenCV's guided filter makes of it, interior pixels only.

Needs opencv-contrib-python-headless and numpy. The guide is a noisy slanted edge, the input a hard
mask of it; both are rounded to 6 digits before filtering, so the table is the exact input.
"""
import cv2
import numpy as np

W, H, RADIUS, EPS = 40, 30, 4, 1e-3
rng = np.random.default_rng(20260101)
y, x = np.mgrid[0:H, 0:W]
edge = (x * 0.8 + y * 0.5 > 22).astype(np.float64)
guide = np.round(0.2 + 0.6 * edge + rng.normal(0, 0.03, (H, W)), 6).astype(np.float32)
mask = (x > 18).astype(np.float32)
out = cv2.ximgproc.guidedFilter(guide, mask, RADIUS, EPS)
with open("guided.csv", "w") as f:
    f.write(f"# OpenCV {cv2.__version__} ximgproc.guidedFilter, radius {RADIUS}, eps {EPS}, numpy {np.__version__}; made by guided.py\n")
    f.write("x,y,guide,input,expected\n")
    for j in range(H):
        for i in range(W):
            f.write(f"{i},{j},{guide[j, i]:.6f},{mask[j, i]:.0f},{out[j, i]:.6f}\n")
