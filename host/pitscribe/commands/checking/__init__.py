"""What ``pitscribe check`` looks at: a small function a check, and the table of them.

    finding.py       what a check says: verdict, words, what to do
    scene.py         what the checks look at: settings, ledger, the process that serves, the time
    table.py         the checks in their order, and what each needs
    machine.py       Python, libraries, memory, disk, clock, time zone
    home.py          the home folder, its secrets, who serves it
    record.py        the ledger and the photos beside it
    network.py       the broker, the page, the mirror
    certificates.py  TLS: files, dates, names
    share.py         what waits for another of several processes
    loggers.py       when loggers were heard of, their journals, what they speak
"""
