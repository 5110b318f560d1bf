"""Published data sets and worked examples used by the tests; the source stands beside each."""

from __future__ import annotations

# NIST Statistical Reference Datasets, one-way ANOVA, SiRstv (lower difficulty)
SIRSTV = {
    "1": [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    "2": [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    "3": [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    "4": [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    "5": [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
}

# NIST Statistical Reference Datasets, one-way ANOVA, AtmWtAg (average difficulty): 107.868 and these four digits
_ATMWTAG_DIGITS = {
    "1": "1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486 1419 1569 1508 1672 1385 1518 1662 1424 1360 "
    "1333 1610 1477",
    "2": "1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448 1198 1482 1334 1609 1101 1512 1469 1360 1254 "
    "1261 1450 1368",
}
ATMWTAG = {key: [float(f"107.868{d}") for d in digits.split()] for key, digits in _ATMWTAG_DIGITS.items()}

# NIST Statistical Reference Datasets, linear regression, Norris: y x pairs
_NORRIS = (
    "0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3; 449.1 448.6; "
    "778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0; 448.9 447.5; 10.8 11.6; "
    "557.7 556.0; 228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3; 0.6 0.3; 557.6 556.8; 339.3 339.1; "
    "888.0 887.2; 998.5 999.0; 778.9 779.0; 10.2 11.1; 117.6 118.3; 228.9 229.2; 668.4 669.1; 449.2 448.9; 0.2 0.5"
)
NORRIS = [(float(pair.split()[0]), float(pair.split()[1])) for pair in _NORRIS.split(";")]

# Kidney stay data, two-way factorial, response log(days + 1): data and R's answers in statsmodels' test_anova
KIDNEY_DAYS = {
    ("1", "1"): [0, 2, 1, 3, 0, 2, 0, 5, 6, 8],
    ("1", "2"): [2, 4, 7, 12, 15, 4, 3, 1, 5, 20],
    ("1", "3"): [15, 10, 8, 5, 25, 16, 7, 30, 3, 27],
    ("2", "1"): [0, 1, 1, 0, 4, 2, 7, 4, 0, 3],
    ("2", "2"): [5, 3, 2, 0, 1, 1, 3, 6, 7, 9],
    ("2", "3"): [10, 8, 12, 3, 7, 15, 4, 9, 6, 1],
}

# Student's sleep data as shipped with R (`sleep`); recalled from memory, agrees with the widely printed R output
SLEEP = {
    "1": [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    "2": [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
}

# R package `equivalence`, as used in statsmodels' test_tost
TOST = {
    "x": [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84],
    "y": [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02],
}

# Dyestuff: lme4 manual, after Davies & Goldsmith 1972, section 6.4
DYESTUFF = {
    "A": [1545, 1440, 1440, 1520, 1580],
    "B": [1540, 1555, 1490, 1560, 1495],
    "C": [1595, 1550, 1605, 1510, 1560],
    "D": [1445, 1440, 1595, 1465, 1545],
    "E": [1595, 1630, 1515, 1635, 1625],
    "F": [1520, 1455, 1450, 1480, 1445],
}
