"""Makes constellations.csv, boundaries.csv and deep_sky.csv; checks star_names.csv and showers.csv.

    pip install astropy==8.0.2 numpy
    pip download --no-deps pyongc==1.2.2 && unzip pyongc-1.2.2-py3-none-any.whl     # carries pyongc/ongc.db
    python3 make_subjects.py path/to/pyongc/ongc.db      # in crates/sky/data

constellations.csv: abbreviation, IAU name, genitive, place of the label (ICRS degrees), extent (degrees across).
    Names and abbreviations from astropy's copy of the IAU list, genitives from memory (IAU). The label is
    the mean of a grid of points inside; of Serpens, in two parts, it is that of the head.
boundaries.csv: N. G. Roman 1987, PASP 99, 695 (CDS VI/42), as astropy carries it: right ascension from, to (hours),
    lower declination (degrees), B1875, abbreviation. The first row that a place fits is its constellation.
deep_sky.csv: designations, names, type, right ascension and declination (ICRS degrees), larger and smaller size
    (arcminutes), V magnitude. Bare facts of the 110 Messier objects and about a hundred large objects from
    OpenNGC (M. Verga), and those that it lacks from memory (EXTRA), as the last column says.
star_names.csv: transcribed by hand from the IAU Catalog of Star Names (see NOTICE), and BAYER from memory; here every
    number is checked against the embedded catalogue: the constellation must fit, and the magnitude.
showers.csv: transcribed by hand; see its head.
"""
import csv
import sqlite3
import struct
import sys

import astropy.coordinates as coords
import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord, get_constellation

GENITIVES = """And Andromedae;Ant Antliae;Aps Apodis;Aqr Aquarii;Aql Aquilae;Ara Arae;Ari Arietis;Aur Aurigae;Boo Bootis;
Cae Caeli;Cam Camelopardalis;Cnc Cancri;CVn Canum Venaticorum;CMa Canis Majoris;CMi Canis Minoris;Cap Capricorni;
Car Carinae;Cas Cassiopeiae;Cen Centauri;Cep Cephei;Cet Ceti;Cha Chamaeleontis;Cir Circini;Col Columbae;
Com Comae Berenices;CrA Coronae Australis;CrB Coronae Borealis;Crv Corvi;Crt Crateris;Cru Crucis;Cyg Cygni;
Del Delphini;Dor Doradus;Dra Draconis;Equ Equulei;Eri Eridani;For Fornacis;Gem Geminorum;Gru Gruis;Her Herculis;
Hor Horologii;Hya Hydrae;Hyi Hydri;Ind Indi;Lac Lacertae;Leo Leonis;LMi Leonis Minoris;Lep Leporis;Lib Librae;
Lup Lupi;Lyn Lyncis;Lyr Lyrae;Men Mensae;Mic Microscopii;Mon Monocerotis;Mus Muscae;Nor Normae;Oct Octantis;
Oph Ophiuchi;Ori Orionis;Pav Pavonis;Peg Pegasi;Per Persei;Phe Phoenicis;Pic Pictoris;Psc Piscium;PsA Piscis Austrini;
Pup Puppis;Pyx Pyxidis;Ret Reticuli;Sge Sagittae;Sgr Sagittarii;Sco Scorpii;Scl Sculptoris;Sct Scuti;Ser Serpentis;
Sex Sextantis;Tau Tauri;Tel Telescopii;Tri Trianguli;TrA Trianguli Australis;Tuc Tucanae;UMa Ursae Majoris;
UMi Ursae Minoris;Vel Velorum;Vir Virginis;Vol Volantis;Vul Vulpeculae"""

# Common English names of Messier's objects.
MESSIER = {1: "Crab Nebula", 6: "Butterfly Cluster", 7: "Ptolemy's Cluster", 8: "Lagoon Nebula", 11: "Wild Duck Cluster",
           13: "Hercules Cluster,Great Hercules Cluster", 16: "Eagle Nebula", 17: "Omega Nebula,Swan Nebula",
           20: "Trifid Nebula", 22: "Sagittarius Cluster", 24: "Small Sagittarius Star Cloud", 27: "Dumbbell Nebula",
           31: "Andromeda Galaxy,Andromeda Nebula,Great Andromeda Nebula",
           33: "Triangulum Galaxy", 42: "Orion Nebula,Great Orion Nebula,Orion's Sword", 43: "De Mairan's Nebula",
           44: "Beehive Cluster,Praesepe,Beehive", 45: "Pleiades,Seven Sisters", 51: "Whirlpool Galaxy",
           57: "Ring Nebula", 63: "Sunflower Galaxy", 64: "Black Eye Galaxy", 74: "Phantom Galaxy",
           76: "Little Dumbbell Nebula", 81: "Bode's Galaxy", 82: "Cigar Galaxy", 83: "Southern Pinwheel Galaxy",
           87: "Virgo A", 97: "Owl Nebula", 101: "Pinwheel Galaxy", 102: "Spindle Galaxy", 104: "Sombrero Galaxy"}
# What short lenses frame beside them: name in the source, common names.
LARGE = """ESO056-115 Large Magellanic Cloud,LMC,Magellanic Clouds;NGC0292 Small Magellanic Cloud,SMC;C041 Hyades
Mel111 Coma Star Cluster,Coma Berenices Cluster;C014 Double Cluster,h and chi Persei;NGC0869 h Persei;NGC0884 chi Persei
NGC6960 Western Veil Nebula,Witch's Broom Nebula;NGC6992 Eastern Veil Nebula,Network Nebula;NGC1499 California Nebula
NGC7000 North America Nebula;IC5070 Pelican Nebula;NGC2237 Rosette Nebula;NGC2244 Rosette Cluster
IC1805 Heart Nebula;IC1848 Soul Nebula;NGC1909 Witch Head Nebula;IC0434 Horsehead Region;B033 Horsehead Nebula
NGC2024 Flame Nebula;NGC3372 Carina Nebula,Eta Carinae Nebula;IC4604 Rho Ophiuchi Nebula,Rho Ophiuchi,Rho Ophiuchi Cloud
IC4592 Blue Horsehead Nebula;IC0405 Flaming Star Nebula;IC0410 Tadpole Nebula;IC0443 Jellyfish Nebula
NGC2174 Monkey Head Nebula;NGC0281 Pacman Nebula;NGC7822 Cederblad 214;C009 Cave Nebula;NGC6888 Crescent Nebula
IC1396 Elephant's Trunk Nebula;IC1318 Sadr Region,Gamma Cygni Nebula,Butterfly Nebula in Cygnus;IC5146 Cocoon Nebula
NGC7023 Iris Nebula;NGC7380 Wizard Nebula;NGC7635 Bubble Nebula;NGC2264 Cone Nebula,Christmas Tree Cluster
IC2177 Seagull Nebula;NGC2359 Thor's Helmet;NGC1977 Running Man Nebula;NGC1333;IC0348;NGC2736 Pencil Nebula
IC2944 Running Chicken Nebula,Lambda Centauri Nebula;IC2602 Southern Pleiades,Theta Carinae Cluster;NGC3532 Wishing Well Cluster
NGC4755 Jewel Box,Kappa Crucis Cluster;NGC3576 Statue of Liberty Nebula;NGC3603;IC4628 Prawn Nebula;NGC6188 Rim Nebula
NGC6231 Northern Jewel Box;NGC6334 Cat's Paw Nebula;NGC6357 War and Peace Nebula;NGC6726 Corona Australis Nebula,Corona Australis Cloud
NGC6729;NGC2070 Tarantula Nebula;NGC0104 47 Tucanae;NGC5139 Omega Centauri;NGC6397;NGC6752;NGC5128 Centaurus A
NGC0253 Sculptor Galaxy,Silver Coin Galaxy;NGC0055;NGC0300;NGC0247;NGC2403;NGC4565 Needle Galaxy;NGC4631 Whale Galaxy
NGC0891;NGC6822 Barnard's Galaxy;IC0342;NGC4945;NGC6744;NGC1316 Fornax A;NGC7293 Helix Nebula;NGC6543 Cat's Eye Nebula
NGC0752;NGC0457 Owl Cluster;NGC0663;NGC7789 Caroline's Rose;NGC2516;IC2391 Omicron Velorum Cluster;NGC2451;NGC2477
IC4665;IC4756;NGC6633;NGC1647;NGC1746;NGC2362;NGC6541;Cl399 Coathanger,Brocchi's Cluster;NGC2467;NGC6820;NGC1893
NGC5822;NGC2547;NGC3114;NGC3293;NGC6087;NGC6193"""
# What the source lacks or holds too coarsely, from memory: designations; names; type; RA, Dec in degrees; size in arcminutes.
EXTRA = """Sh2-276;Barnard's Loop;Neb;85.5;-2.0;840;600
Sh2-264,Collinder 69;Lambda Orionis Nebula,Angelfish Nebula,Head of Orion;Neb;83.8;9.9;390;390
Sh2-240,Simeis 147;Spaghetti Nebula;SNR;84.75;28.0;180;180
;Veil Nebula,Cygnus Loop;SNR;312.75;30.67;230;160
Gum 12;Gum Nebula;Neb;125.0;-43.0;2160;2160
;Vela Supernova Remnant;SNR;128.5;-45.8;480;480
Barnard 59,Barnard 78;Pipe Nebula;DrkN;263.0;-26.5;360;180
Barnard 72;Snake Nebula;DrkN;260.9;-23.6;30;30
Caldwell 99;Coalsack,Coalsack Nebula;DrkN;190.0;-62.8;420;300
;Taurus Molecular Cloud,Taurus Dark Cloud;DrkN;68.5;26.5;720;480
;Large Sagittarius Star Cloud;*Ass;270.8;-28.8;300;180
;Scutum Star Cloud;*Ass;280.0;-7.0;360;300
;Cygnus Star Cloud;*Ass;300.5;36.5;900;480
Melotte 20,Collinder 39;Alpha Persei Cluster;OCl;51.1;49.9;185;185
Sh2-129;Flying Bat Nebula;Neb;318.0;60.0;140;140
Sh2-101;Tulip Nebula;Neb;300.0;35.3;16;10
;Leo Triplet;G;170.1;13.3;50;40
;Markarian's Chain,Virgo Cluster;G;186.9;13.1;90;60
;Antares Region,Rho Ophiuchi Complex;Neb;246.8;-25.0;420;300
;Orion Molecular Cloud,Orion's Belt and Sword;Neb;84.2;-3.4;480;360"""
# Sizes the source gives too small or not at all, larger and smaller in arcminutes, from memory.
SIZES = {"IC1805": (150, 150), "IC1848": (150, 75), "IC1396": (170, 140), "IC1318": (180, 120), "NGC7822": (100, 60),
         "NGC6960": (70, 6), "NGC6992": (60, 8), "NGC7000": (120, 100), "NGC1499": (160, 40), "IC5070": (60, 50),
         "NGC6334": (40, 30), "NGC6357": (50, 40), "IC2944": (75, 60), "NGC0292": (320, 205), "NGC3372": (120, 120),
         "NGC2264": (60, 30), "NGC6820": (40, 30), "IC2177": (120, 40), "NGC1977": (40, 25), "NGC3576": (20, 20),
         "NGC2244": (24, 24), "IC4604": (60, 25), "NGC2070": (40, 25), "NGC6726": (80, 40)}
# What is wrong or open in the source, from memory: type, place in degrees, magnitude.
TYPES = {"NGC2244": "OCl", "IC1318": "HII", "NGC6334": "HII"}
PLACES = {"NGC2237": (97.98, 4.94)}  # the whole Rosette; the source gives its western part
MAGS = {"NGC0253": 7.2, "NGC4945": 8.8, "NGC2451": 2.8, "IC1318": None}
# Bright stars that have a letter and no IAU name, from memory: number, designation, V.
BAYER = """4427|gam Cas|2.15;39953|gam02 Vel|1.75;71860|alf Lup|2.30;86670|kap Sco|2.39;71352|eta Cen|2.33;68002|zet Cen|2.55
66657|eps Cen|2.29;61932|gam Cen|2.20;52727|mu Vel|2.69;52419|tet Car|2.74;48002|ups Car|2.92;73273|bet Lup|2.68
84143|eta Sco|3.32;87073|iot01 Sco|2.99;85792|alf Ara|2.84;85258|bet Ara|2.84;59196|del Cen|2.58;65109|iot Cen|2.75
35264|pi Pup|2.71;2021|bet Hyi|2.82;9236|alf Hyi|2.86;110130|alf Tuc|2.87;14328|gam Per|2.91;17358|del Per|3.01
18532|eps Per|2.90;18246|zet Per|2.84;61585|alf Mus|2.69;74946|gam TrA|2.87;77952|bet TrA|2.83;59316|eps Crv|3.02
64962|gam Hya|2.99;32768|tau Pup|2.94;36377|sig Pup|3.25;73334|kap Cen|3.13;81693|zet Her|2.81;84380|pi Her|3.16
107259|mu Cep|4.08;110991|del Cep|4.07"""
OTHERS = {"Cl399": ["Collinder 399"], "ESO056-115": ["ESO 56-115"], "M040": [], "NGC1909": ["IC 2118", "NGC 1909"],
          "C009": ["Sh2-155", "Caldwell 9"], "NGC2244": ["NGC 2244", "Caldwell 50"], "C014": ["Caldwell 14"]}
# Doubles named by one component and given as one by Hipparcos, variables, and Sirius (see make_catalogue.py): in these
# the magnitudes may differ by this much, elsewhere by 0.25.
WIDE_MAG, USUAL_MAG = 0.9, 0.25
WIDE = {60718, 95947, 50583, 44471, 83608, 36850, 20894, 64241, 84405, 79374, 8832, 10826, 44946, 61941, 84345, 85927,
        32349, 40167, 71681, 60129, 107259, 110991}


def constellations():
    names = {l[:3]: l[4:].strip() for l in open(f"{DATA}/constellation_names.dat", encoding="utf8") if l[0] != "#"}
    genitives = {g.split(" ", 1)[0]: g.split(" ", 1)[1] for g in GENITIVES.replace("\n", "").split(";")}
    names |= {"Cha": "Chamaeleon", "Oph": "Ophiuchus", "PsA": "Piscis Austrinus"}  # misspelt there
    assert set(names) == set(genitives) and len(names) == 88
    rows = [l.split() for l in open(f"{DATA}/constellation_data_roman87.dat") if l[0] != "#"]
    with open("boundaries.csv", "w") as out:
        out.write("# Roman 1987 (CDS VI/42): right ascension from, to (h), lower declination (deg), B1875\n")
        for ra0, ra1, dec, con in rows:
            out.write(f"{float(ra0):g},{float(ra1):g},{float(dec):g},{con}\n")
    n = 60_000
    i = np.arange(n) + 0.5
    z, ra = 1 - 2 * i / n, (np.pi * (1 + 5**0.5) * i) % (2 * np.pi)
    points = np.stack([np.sqrt(1 - z * z) * np.cos(ra), np.sqrt(1 - z * z) * np.sin(ra), z], 1)
    found = get_constellation(SkyCoord(ra * u.rad, np.arcsin(z) * u.rad), short_name=True)
    with open("constellations.csv", "w", encoding="utf8") as out:
        out.write("# abbreviation,name,genitive,label ra_deg,dec_deg (ICRS),extent_deg\n")
        for con in sorted(names):
            mine = points[found == con]
            if con == "Ser":  # the head: west of Ophiuchus
                mine = mine[np.degrees(np.arctan2(mine[:, 1], mine[:, 0])) % 360 < 250]
            mean = mine.mean(0) / np.linalg.norm(mine.mean(0))
            if get_constellation(SkyCoord(*mean, representation_type="cartesian"), short_name=True) != con:
                mean = mine[np.argmax(mine @ mean)]
            dec, ra_label = np.degrees(np.arcsin(mean[2])), np.degrees(np.arctan2(mean[1], mean[0])) % 360
            extent = 2 * np.degrees(np.arccos((mine @ mean).min()))
            out.write(f"{con},{names[con]},{genitives[con]},{ra_label:.2f},{dec:.2f},{extent:.0f}\n")


def pretty(name):
    """Designations as they are written, most usual first."""
    if name in OTHERS:
        return OTHERS[name]
    for prefix, long in (("NGC", "NGC "), ("IC", "IC "), ("Mel", "Melotte "), ("B", "Barnard "), ("C", "Caldwell ")):
        if name.startswith(prefix) and name[len(prefix):].isdigit():
            return [long + name[len(prefix):].lstrip("0")]
    raise ValueError(name)


def deep_sky(database):
    db = sqlite3.connect(database)
    fields = "name,type,ra,dec,majax,minax,vmag,messier"
    chosen = [(r, MESSIER.get(int(r[7]), "")) for r in
              db.execute(f"select {fields} from objects where messier != '' order by messier")]
    assert len(chosen) == 110
    # The source leaves M 102 open; most take it for NGC 5866.
    m102 = db.execute(f"select {fields} from objects where name = 'NGC5866'").fetchone()
    chosen = [((*m102[:7], "102"), c) if r[0] == "M102" else (r, c) for r, c in chosen]
    for entry in LARGE.replace("\n", ";").split(";"):
        name, _, common = entry.partition(" ")
        row = db.execute(f"select {fields} from objects where name = ?", (name,)).fetchone()
        assert row and row[2] is not None, f"{name} is not in the source"
        assert not row[7], f"{name} is M {row[7]}"
        chosen.append((row, common))
    with open("deep_sky.csv", "w", encoding="utf8") as out:
        out.write("# designations;names;type;ra_deg;dec_deg;major_arcmin;minor_arcmin;mag;source\n")
        for (name, kind, ra, dec, major, minor, mag, messier), common in chosen:
            major, minor = SIZES.get(name, (major, minor))
            kind, mag = TYPES.get(name, kind), MAGS.get(name, mag)
            ra, dec = PLACES.get(name, (np.degrees(ra), np.degrees(dec)))
            designations = ([f"M {int(messier)}"] if messier else []) + pretty(name)
            number = lambda v: "" if v is None else f"{v:g}"
            out.write(f"{','.join(designations)};{common};{kind};{ra:.4f};{dec:.4f};"
                      f"{number(major)};{number(minor)};{number(mag)};ongc\n")
        for line in EXTRA.split("\n"):
            out.write(f"{line};;memory\n")


def check_deep_sky(database):
    """The constellation that the source gives each object must be the one that its place is in."""
    db = sqlite3.connect(database)
    rows = [r for r in csv.reader(open("deep_sky.csv", encoding="utf8"), delimiter=";") if r[-1] == "ongc"]
    for row in rows:
        con = get_constellation(SkyCoord(float(row[3]) * u.deg, float(row[4]) * u.deg), short_name=True)
        for catalogue, number in (d.split(" ") for d in row[0].split(",") if d[:3] == "NGC" or d[:3] == "IC "):
            query = db.execute("select const from objects where name = ?", (f"{catalogue}{int(number):04}",))
            assert query.fetchone()[0].replace("Se1", "Ser").replace("Se2", "Ser") == con, row
    print(len(rows), "objects lie where the source says")


def check_stars():
    blob = open("stars.bin", "rb").read()
    stars = {hip: (ra * 360 / 2**32, dec * 360 / 2**32, v / 1000)
             for hip, ra, dec, _, _, v, _ in struct.iter_unpack("<IIiiihh", blob)}
    rows = [r for r in csv.reader(open("star_names.csv", encoding="utf8")) if not r[0].startswith("#")]
    places = SkyCoord([stars[int(r[0])][:2] for r in rows] * u.deg)
    for (hip, name, designation, v), con in zip(rows, get_constellation(places, short_name=True)):
        allowed = WIDE_MAG if int(hip) in WIDE else USUAL_MAG
        assert designation.split()[-1] == con, (hip, name, con)
        assert abs(stars[int(hip)][2] - float(v)) <= allowed, (hip, name, stars[int(hip)][2])
    print(len(rows), "stars agree with the catalogue")


DATA = coords.__path__[0] + "/data"
if __name__ == "__main__":
    constellations()
    deep_sky(sys.argv[1])
    check_deep_sky(sys.argv[1])
    check_stars()
