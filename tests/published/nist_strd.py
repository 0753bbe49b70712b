"""Certified one-way analyses of variance.

NIST Statistical Reference Datasets, univariate ANOVA: SiRstv (resistivity of silicon, lower level
of difficulty) and AtmWtAg (atomic weight of silver, average level). Certified values have 15
digits. Read in scipy 1.17.1, scipy/stats/tests/data/nist_anova;
`tests/analysis/test_repeatability.py` sums them up in exact fractions and meets every certified
digit, which no slip in a datum would let through.
"""

SILICON: tuple[tuple[str, ...], ...] = (
    ("196.3052", "196.1240", "196.1890", "196.2569", "196.3403"),
    ("196.3042", "196.3825", "196.1669", "196.3257", "196.0422"),
    ("196.1303", "196.2005", "196.2889", "196.0343", "196.1811"),
    ("196.2795", "196.1748", "196.1494", "196.1485", "195.9885"),
    ("196.2119", "196.1051", "196.1850", "196.0052", "196.2090"),
)
SILICON_BETWEEN_SS = 5.11462616000000e-02
SILICON_WITHIN_SS = 2.16636560000000e-01
SILICON_RESIDUAL_SD = 1.04076068334656e-01

SILVER: tuple[tuple[str, ...], ...] = (
    tuple(
        f"107.8681{digits}"
        for digits in (
            "568 465 572 785 446 903 526 494 616 587 519 486 419 569 508 672 385 518 662 424 360 333 610 477"
        ).split()
    ),
    tuple(
        f"107.8681{digits}"
        for digits in (
            "079 344 513 197 604 385 642 365 151 082 517 448 198 482 334 609 101 512 469 360 254 261 450 368"
        ).split()
    ),
)
SILVER_BETWEEN_SS = 3.63834187500000e-09
SILVER_WITHIN_SS = 1.04951729166667e-08
SILVER_RESIDUAL_SD = 1.51048314446410e-05
