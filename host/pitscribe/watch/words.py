"""Words for what keeps a reading from being one, and for what was kept aside: tables alone."""

# What to do about a flag; the words before the colon are the analysis's.
REMEDIES = {
    "open": "the probe is open: look at its plug and its cable",
    "short ground": "the probe touches ground: look at its tip and its cable",
    "short supply": "the probe touches the supply: look at its cable",
    "chip fault": "its chip names a fault: look at plug and cable",
    "no answer": "its chip does not answer: look at the board's wiring",
    "bad word": "its chip sends nonsense: look at the board's wiring",
    "out of range": "it reads what this wire cannot measure: wrong type, or reversed leads?",
    "no function": "there is no reference function here for its type of wire; what it reads is kept",
    "rate": "it jumped as nothing at such a place can",
    "reversed": "it falls when it should rise: its two leads are changed over at the plug or the board",
    "stuck": "its chip repeats one reading while other places move: cut its power and give it again",
    "no contact": "it follows the pit's air: it is not in the meat (any more); put it back, and mind the hot steel",
}

# The same where the value stands but something about it is to be known.
DOUBTS = {
    "swapped": "it and another probe seem to have each other's place: look where each tip is, and place them anew",
    "noisy": "it flickers more than its chip explains: look at its plug, and keep its cable away from motors and mains",
}

# What was kept aside, by the ledger's reason; a number follows: "frames cut off: 3".
ASIDES = {
    "short": "frames cut off",
    "mark": "frames that are none of ours",
    "length": "frames of a wrong length",
    "crc": "frames damaged on the way (check sum)",
    "kind": "frames of a kind that this version does not know",
    "body": "frames whose content does not fit their kind",
    "header": "frames with an uptime that cannot be",
    "foreign": "frames of another logger than their topic says",
    "clash": "frames with a number that was used before, for other content",
    "fault": "frames that set off a fault in pitscribe itself",
    "topic": "messages under a topic that this version does not know",
    "message": "messages that do not say what they should",
    "damaged": "stretches of an imported file that are no frame",
}
