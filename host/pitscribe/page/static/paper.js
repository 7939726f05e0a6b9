// The live page on paper: in light colours whatever the screen has, the chart as wide as the sheet, and when it was printed.

import { redraw } from "./chart.js";
import { dayClock } from "./units.js";

const CHART_PX = [690, 350]; // what a sheet of Letter or A4 leaves between its margins, in CSS pixels; and its height

/** Make the page ready before it is printed, and as it was afterwards; `show()` writes anew what has colours in it. */
export function wirePaper(view, show) {
  const root = document.documentElement, box = document.getElementById("chart"), said = document.getElementById("printed");
  addEventListener("beforeprint", () => {
    root.dataset.paper = "";
    [box.style.width, box.style.height] = CHART_PX.map((px) => `${px}px`);
    const when = dayClock(view.now);
    said.textContent = `Printed ${when}.${view.past ? "" : " What stands here was read then, and does not change any more."}${view.contact ? "" : " There was no contact with the host."}`;
    show();
    redraw();
  });
  addEventListener("afterprint", () => {
    delete root.dataset.paper;
    box.style.width = box.style.height = "";
    show();
    redraw();
  });
}
