// The chart's data as a table, for whoever cannot see the chart or wants the numbers.

import { el } from "./el.js";
import { temp, unitName, clock, dayClock } from "./units.js";

/** Fill `box` with at most some fifty rows of the whole cook: {from, to, places: [{place, t, c}]}. */
export function fillTable(box, data) {
  const span = data.to - data.from;
  const every = [300, 600, 900, 1800, 3600].find((s) => span / s <= 48) ?? 7200;
  const table = el("table"), head = el("tr"), body = el("tbody"), thead = el("thead");
  head.append(el("th", "Time", { scope: "col" }), ...data.places.map((p) => el("th", `${p.place}, ${unitName()}`, { scope: "col", class: "num" })));
  const cursor = data.places.map(() => 0);
  for (let t = Math.ceil(data.from / every) * every; t <= data.to; t += every) {
    const tr = el("tr");
    tr.append(el("th", clock(t, data.from), { scope: "row", title: dayClock(t) }));
    data.places.forEach((p, k) => {
      while (cursor[k] + 1 < p.t.length && p.t[cursor[k] + 1] <= t) cursor[k]++;
      const near = p.t.length && Math.abs(p.t[cursor[k]] - t) <= every ? p.c[cursor[k]] : null;
      tr.append(el("td", temp(near, 1), { class: "num" }));
    });
    body.append(tr);
  }
  thead.append(head);
  table.append(thead, body);
  box.replaceChildren(table);
}
