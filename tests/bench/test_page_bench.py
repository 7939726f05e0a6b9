"""The page on an 18-hour cook of six channels at 1 Hz: how soon it can be read and used, and what it weighs.

Printed: from the click to the first chart and to a button that does something, with an empty browser and with one that
has been here before; bytes that came; from a frame's arrival in the ledger to its point on the page; how long a call of
the chart takes, as the browser sees it, without and with the uncertainty of each point.
"""

import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

from browser import chromium, new_context, new_page, site

RUNS = 5
FRAMES = 20
CALLS = """
    performance.getEntriesByType('resource')
        .filter((e) => e.name.includes('/api/chart')).map((e) => e.duration / 1000)"""
# What is held is twice what is asked for (a chart within 1 s): others may be at work on this computer.
CHART_S, POINT_S = 2.0, 6.0


def opened(context, url):
    """(s to the first chart, s until a tap on the chart's buttons is answered, bytes that came over the wire)."""
    page, _ = new_page(context)
    began = time.perf_counter()
    page.goto(url, wait_until="commit")
    page.wait_for_selector("#chart[data-drawn]")
    # By the browser's own clock: while it reads the chart library it tells nothing to anybody outside.
    chart = page.evaluate("performance.getEntriesByName('chart sketched')[0].startTime") / 1000
    page.locator('[data-span="14400"]').click()
    page.wait_for_selector('[data-span="14400"][aria-pressed="true"]')
    ready = time.perf_counter() - began
    size = page.evaluate("performance.getEntriesByType('resource').reduce((n, e) => n + e.transferSize, 0)")
    page.close()
    return chart, ready, size


def p95(values):
    return sorted(values)[round(0.95 * (len(values) - 1))]


def followed(page, world):
    """(s from each of some frames to its point, s of each call of the chart meanwhile)."""
    waits = []
    before = len(page.evaluate(CALLS))
    for _ in range(FRAMES):
        world.carry_on(32, anchor=False)
        world.state()
        came, until = time.perf_counter(), world.clock.now() - 2
        page.wait_for_function("(t) => Number(document.getElementById('chart').dataset.drawn) >= t", arg=until)
        waits.append(time.perf_counter() - came)
    return waits, page.evaluate(CALLS)[before:]


def test_an_18_hour_cook_opens_within_a_second_and_a_new_frame_is_soon_a_point(tmp_path, capsys):
    with site(tmp_path, hours=18, period_s=1.0) as running, chromium() as browser:
        first = opened(new_context(browser), running.url)
        context = new_context(browser)
        opened(context, running.url)
        again = [opened(context, running.url) for _ in range(RUNS)]
        page, _ = new_page(context)
        page.goto(running.url)
        page.wait_for_selector("#chart[data-drawn]")
        waits, plain = followed(page, running.world)
        page.locator("#chart-band").click()
        page.wait_for_function("() => document.getElementById('chart').data.some((d) => d.name === 'flat uncertainty')")
        wide_waits, wide = followed(page, running.world)
    charts, ready = ([run[i] for run in again] for i in (0, 1))
    with capsys.disabled():
        print(f"\n18 h, six channels, 1 Hz: first chart {first[0]:.2f} s in an empty browser, "
              f"{statistics.median(charts):.2f} s (worst {max(charts):.2f}) in one that was here before; usable "
              f"{statistics.median(ready):.2f} s; {first[2] / 1024:.0f} KiB at first, {again[-1][2] / 1024:.0f} then")
        print(f"frame in the ledger to its point on the page: median {statistics.median(waits):.2f} s, "
              f"p95 {p95(waits):.2f} s of {len(waits)}; with the band {statistics.median(wide_waits):.2f} and "
              f"{p95(wide_waits):.2f} s")
        print(f"a call of the chart: median {statistics.median(plain):.3f} s, p95 {p95(plain):.3f} s of {len(plain)}; "
              f"with the band {statistics.median(wide):.3f} and {p95(wide):.3f} s of {len(wide)}")
    assert statistics.median(charts) < CHART_S
    assert max(p95(waits), p95(wide_waits)) < POINT_S
