"""Published data sets and table values for the comparison's tests.

Each with its source. "from memory" marks a value whose source text was not at hand; the number
itself was then recomputed with an independent tool.
"""

# NIST/SEMATECH e-Handbook of Statistical Methods 7.4.3 and 7.4.7.1: four groups of five.
HB743 = [
    [6.9, 5.4, 5.8, 4.6, 4.0],
    [8.3, 6.8, 7.8, 9.2, 6.5],
    [8.0, 10.5, 8.1, 6.9, 9.3],
    [5.8, 3.8, 6.1, 5.6, 6.2],
]
# 7.4.7.1: Tukey's 95 % intervals, first minus second (groups from 1).
HB743_TUKEY = {
    (2, 1): (0.29, 4.47),
    (3, 1): (1.13, 5.31),
    (1, 4): (-2.25, 1.93),
    (2, 3): (-2.93, 1.25),
    (2, 4): (0.13, 4.31),
    (3, 4): (0.97, 5.15),
}

# NIST StRD, one-way analysis of variance, SiRstv: certified F, residual sd.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
SIRSTV_RESIDUAL_SD = 0.104076068334656

# Montgomery, Design and Analysis of Experiments, Table 4.3 (vascular grafts): rows 8500, 8700,
# 8900, 9100 psi, columns blocks 1 to 6. Printed analysis from memory, recomputed.
GRAFT = [
    [90.3, 89.2, 98.2, 93.9, 87.4, 97.9],
    [92.5, 89.5, 90.6, 94.7, 87.0, 95.8],
    [85.5, 90.8, 89.6, 86.2, 88.0, 93.4],
    [82.5, 89.5, 85.6, 87.4, 78.9, 90.7],
]

# Montgomery, balanced incomplete block example: (catalyst, batch, y). Results from memory,
# recomputed with statsmodels.
CATALYST = [
    (1, 1, 73),
    (1, 2, 74),
    (1, 4, 71),
    (2, 2, 75),
    (2, 3, 67),
    (2, 4, 72),
    (3, 1, 73),
    (3, 2, 75),
    (3, 3, 68),
    (4, 1, 75),
    (4, 3, 72),
    (4, 4, 75),
]

# Joshi 1987, as in the agricolae tutorial: balanced incomplete blocks of three.
JOSHI_BLOCKS = [b for b in range(1, 11) for _ in range(3)]
JOSHI_TREATMENTS = [1, 2, 3, 1, 2, 4, 1, 3, 5, 1, 4, 6, 1, 5, 6]
JOSHI_TREATMENTS += [2, 3, 6, 2, 4, 5, 2, 5, 6, 3, 4, 5, 3, 4, 6]
JOSHI_Y = [69, 54, 50, 77, 65, 38, 72, 45, 54, 63, 60, 39, 70, 65, 54]
JOSHI_Y += [65, 68, 67, 57, 60, 62, 59, 65, 63, 75, 62, 61, 59, 55, 56]

# Federer 1956, augmented design, as in the agricolae tutorial: A to D are checks in all blocks.
FEDERER = {
    "I": {"A": 83, "B": 77, "C": 78, "D": 78, "g": 70, "k": 75, "l": 74},
    "II": {"A": 79, "B": 81, "C": 81, "D": 91, "e": 79, "i": 78},
    "III": {"A": 92, "B": 79, "C": 87, "D": 81, "f": 89, "h": 96, "j": 82},
}
FEDERER_ADJUSTED = {
    "A": 84.667,
    "B": 79.0,
    "C": 82.0,
    "D": 83.333,
    "e": 78.25,
    "f": 86.5,
    "g": 73.25,
    "h": 93.5,
    "i": 77.25,
    "j": 79.5,
    "k": 78.25,
    "l": 77.25,
}

# Dunnett 1955, blood counts; p-values from R multcomp, confirmed by a double integral.
DUNNETT = {
    "control": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
    "A": [9.76, 8.80, 7.68, 9.36],
    "B": [12.80, 9.68, 12.16, 9.20, 10.55],
}
DUNNETT_P = {"A": 0.6201020, "B": 0.0058254}

# Hollander and Wolfe, times to first base (R help of friedman.test): 22 players, 3 methods.
FIRSTBASE = [
    *[(5.40, 5.50, 5.55), (5.85, 5.70, 5.75), (5.20, 5.60, 5.50), (5.55, 5.50, 5.40)],
    *[(5.90, 5.85, 5.70), (5.45, 5.55, 5.60), (5.40, 5.40, 5.35), (5.45, 5.50, 5.35)],
    *[(5.25, 5.15, 5.00), (5.85, 5.80, 5.70), (5.25, 5.20, 5.10), (5.65, 5.55, 5.45)],
    *[(5.60, 5.35, 5.45), (5.05, 5.00, 4.95), (5.50, 5.50, 5.40), (5.45, 5.55, 5.50)],
    *[(5.55, 5.55, 5.35), (5.45, 5.50, 5.55), (5.50, 5.45, 5.25), (5.65, 5.60, 5.40)],
    *[(5.70, 5.65, 5.55), (6.30, 6.30, 6.25)],
]

# Darwin's maize as in Fisher 1935, The Design of Experiments, section 21.
DARWIN = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]

# Bechhofer 1954: difference times sqrt(n) / sigma so that the best of k is selected with
# probability 0.90, 0.95, 0.99 (k = 3, 0.95 confirmed; the rest from memory, recomputed).
BECHHOFER = {
    2: (1.8124, 2.3262, 3.2900),
    3: (2.2302, 2.7101, 3.6173),
    4: (2.4516, 2.9162, 3.7970),
    5: (2.5997, 3.0552, 3.9196),
}

# Studentised range, upper 5 % points, Harter 1960 (from memory, recomputed).
STUDENTISED_RANGE = {
    (2, 10): 3.1511,
    (3, 6): 4.3392,
    (3, 10): 3.8768,
    (3, 12): 3.7729,
    (4, 6): 4.8956,
    (4, 10): 4.3266,
    (4, 16): 4.0461,
    (5, 10): 4.6543,
    (5, 20): 4.2319,
    (10, 20): 5.0079,
}

# Friedman 1937; Hollander and Wolfe's table of exact null probabilities (from memory,
# enumerated): smallest attainable p for (blocks, treatments).
FRIEDMAN_SMALLEST = {
    (2, 3): 1 / 6,
    (3, 3): 1 / 36,
    (4, 3): 1 / 216,
    (2, 4): 1 / 24,
    (3, 4): 1 / 576,
}

# Cohen 1988 and 1992, two-sided 5 %, power 0.80: the exact sizes, rounded up (his own tables
# round to the nearest).
TWO_GROUPS = {0.2: 394, 0.5: 64, 0.8: 26}
PAIRED = {0.2: 199, 0.5: 34, 0.8: 15}
