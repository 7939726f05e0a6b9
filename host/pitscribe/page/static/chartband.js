// The uncertainty of each place on the chart: a pale band round its line, where the person asked for it.

import { held, drawn } from "./chartdata.js";
import { faint } from "./chartfan.js";
import { stamp } from "./charttime.js";
import { degrees, difference } from "./units.js";

/** A closed outline round each unbroken piece of a line: forth along its upper edge, back along the lower one. */
function outline(p) {
  const x = [], y = [];
  let piece = [];
  const close = () => {
    if (piece.length > 1) {
      const at = (i) => stamp(p.t[i]), edge = (i, way) => degrees(p.c[i]) + way * difference(p.b[i]), back = [...piece].reverse();
      x.push(...piece.map(at), ...back.map(at), null);
      y.push(...piece.map((i) => edge(i, 1)), ...back.map((i) => edge(i, -1)), null);
    }
    piece = [];
  };
  p.c.forEach((c, i) => { if (c === null || p.b[i] === null) close(); else piece.push(i); });
  close();
  return { x, y };
}

/** The traces of the band, each in the colour of its place. */
export function bandTraces(styles) {
  if (!held.band) return [];
  return drawn().places.filter((p) => p.b).map((p) => ({
    type: "scatter", mode: "lines", name: `${p.place} uncertainty`, hoverinfo: "skip", ...outline(p),
    line: { width: 0 }, fill: "toself", fillcolor: faint(styles[p.place]?.colour),
  }));
}
