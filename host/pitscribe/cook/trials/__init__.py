"""Did that change make it better? Trials: a factor, its levels, the cooks, and what can be concluded.

    draw         who gets which level, and codes and orders of tastings: from a seed, so that anyone can draw it again
    permutation  the exact test: how often the draw alone would have made so large a difference
    effect       a difference of two levels with its interval, block by block
    chance       Student's t and the chi distribution, as far as power needs them
    power        how many cooks it takes to see a difference
    balance      what else differed between the levels
    facts        what a cook's record says of it: outcomes, and what might explain them instead
    several      several comparisons at once (Holm)
    conclusion   what may be said, in words
    tasted       what the tastings of a trial say
    findings     all of it for one trial
    binomial     exact binomial probabilities
    sensory      triangle and paired-comparison tests
    serving      codes and orders of a blind tasting
    text         the findings in words
    outlook      what a plan or a tasting can tell, in words, before it is done

All of it is pure: seeds are handed in, and nothing here knows the time.
"""
