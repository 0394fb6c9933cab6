"""From median absolute deviations to standard deviations; alone, as the decoding process must load no compiler."""

MAD_TO_SIGMA = 1.4826  # of a normal distribution
