"""Constants of the normal distribution; alone, as the decoding process must load no compiler."""

MAD_TO_SIGMA = 1.4826  # from the median absolute deviation to the standard deviation
MEDIAN_ERROR = 1.2533  # standard error of a median over that of a mean, sqrt(pi / 2)
FWHM_PER_SIGMA = 2.3548  # sqrt(8 ln 2), rounded as the contract states it
