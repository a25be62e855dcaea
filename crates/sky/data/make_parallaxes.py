"""Makes parallaxes.bin, which catalogue stars' places need besides stars.bin, from Hipparcos-2 (as make_catalogue.py).

    python3 make_parallaxes.py path/to/hip2.dat parallaxes.bin

Format, little endian, 8 bytes a star, by HIP: u32 HIP; u32 parallax in 0.01 mas. Stars of V < 8 or so with a
parallax of 20 mas and more; the others' is smaller than the bar by far.
"""
import struct
import sys

LEAST_MAS = 20.0
FAINTEST_HP = 8.3

found = []
for line in open(sys.argv[1], encoding="ascii"):
    parallax, hp = float(line[43:50]), float(line[129:136])
    if parallax >= LEAST_MAS and hp < FAINTEST_HP:
        found.append((int(line[0:6]), round(parallax * 100)))
with open(sys.argv[2], "wb") as out:
    for record in sorted(found):
        out.write(struct.pack("<II", *record))
print(len(found), "stars")
