"""Bad input on purpose, seeded and bounded: what all that reads something from outside does with bytes of any kind.

    PYTHONPATH=tests:tests/host .venv/bin/python -m fuzz                        names the targets
    PYTHONPATH=tests:tests/host .venv/bin/python -m fuzz frames --times 1000000 --seed 1
    PYTHONPATH=tests:tests/host .venv/bin/python -m fuzz frames --times 100000 --seed 1 --guided

``--guided`` lets coverage lead (atheris, of the extra ``fuzz``); without it sound examples are mutated by a seeded
generator, many times as fast. A find is written to a file, told with its traceback, and ends it with status 1. A short
run of each target is a part of the suite (test_targets.py).
"""
