"""Reference warps of a small picture by SciPy, OpenCV and scikit-image, and a direct Lanczos-3 sum.

source.f32 is 48 x 48, smooth (Gaussian blobs, sigma 2.2 to 4 px, so every good kernel agrees).
Columns of warp.csv: x, y (canvas px), the value of
scipy.ndimage.map_coordinates (order 5, mode mirror), of OpenCV's remap with INTER_LANCZOS4, and of
scikit-image's warp (order 5), and of the textbook Lanczos-3 sum over 6 x 6 pixels with weights
normalised to 1, in double precision. OpenCV rounds coordinates to 1/32 px. The mapping is a rotation by 0.2 rad about (23.5, 23.5) and a shift
of (0.37, -0.21).
"""
import numpy as np, scipy, scipy.ndimage, cv2, skimage, skimage.transform

rng = np.random.default_rng(5)
y, x = np.mgrid[0:48, 0:48].astype(np.float64)
img = np.full((48, 48), 0.1)
for _ in range(25):
    cx, cy = rng.uniform(4, 44, 2)
    s = rng.uniform(2.2, 4.0)
    img += rng.uniform(0.1, 0.5) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * s * s))
img = img.astype(np.float32)
img.tofile("../fixtures/warp_source.f32")
c, s = np.cos(0.2), np.sin(0.2)
sx = 23.5 + c * (x - 23.5) - s * (y - 23.5) + 0.37
sy = 23.5 + s * (x - 23.5) + c * (y - 23.5) - 0.21
a = scipy.ndimage.map_coordinates(img.astype(np.float64), [sy, sx], order=5, mode="mirror")
b = cv2.remap(img, sx.astype(np.float32), sy.astype(np.float32), cv2.INTER_LANCZOS4)
d = skimage.transform.warp(img.astype(np.float64), np.array([sy, sx]), order=5, mode="reflect")
def lanczos3(px, py):
    def weights(t):
        k = np.arange(-2, 4) - t
        w = np.sinc(k) * np.sinc(k / 3)
        return w / w.sum()
    ix, iy = int(np.floor(px)), int(np.floor(py))
    patch = img[iy - 2 : iy + 4, ix - 2 : ix + 4].astype(np.float64)
    return weights(py - iy) @ patch @ weights(px - ix)

with open("../fixtures/warp.csv", "w") as f:
    f.write(f"# warp.py, SciPy {scipy.__version__}, OpenCV {cv2.__version__}, scikit-image {skimage.__version__}, NumPy {np.__version__}\n")
    f.write("x,y,scipy,opencv,skimage,lanczos3\n")
    for j in range(0, 48, 2):
        for i in range(0, 48, 2):
            if 8 <= sx[j, i] <= 39 and 8 <= sy[j, i] <= 39:
                f.write(f"{i},{j},{a[j, i]:.6f},{b[j, i]:.6f},{d[j, i]:.6f},{lanczos3(sx[j, i], sy[j, i]):.6f}\n")
