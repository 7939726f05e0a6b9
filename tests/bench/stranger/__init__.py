"""A stranger's cooks: a second simulator, written by a judge who had not seen the method, and its scores.

Nothing here is shared with the analysis or with its own bench: other physics, other ranges, another definition of the
truth.  It says how the analysis does on cooks that nobody tuned it to, and must stay so: tune nothing on its seeds.

    nice -n 5 .venv/bin/python tests/bench/stranger/score.py --seed 4711 --cooks 90 --folder /tmp/stranger
    nice -n 5 .venv/bin/python tests/bench/stranger/score.py --seed 4712 --cooks 144 --only "fire out" --folder ...

draws the cooks, writes each as a CSV, runs `pitscribe replay` on it as its user would (no notes: a CSV carries none)
and prints the tables and the worst misses; 90 cooks take some twelve minutes on one core.  Not part of the quick suite.

`meat` is the cut (finite volumes of an elliptic wedge; a skin that is wet, drains and dries; boiling at 100 degC),
`pit` four kinds of cooker, `cooks` eighteen families of what is done, `truth` what counts as true, `probes` what is
read and written, `judge` the scores of stalls and forecasts, `rest` those of fire, safety, spread and looking ahead.
"""
