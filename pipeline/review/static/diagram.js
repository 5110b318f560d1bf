// The table from above, to scale, with the paths: the same marks and colours as over the clip, on paper.

import { dashOf } from "./overlay.js";

const NS = "http://www.w3.org/2000/svg";
const INK = { cue: "#1a1a1a", object: "#b04400", other: "#0072b2" };

function add(parent, name, attributes) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}

/** An SVG of the shot; y points up in the table frame, so it is turned over. */
export function diagram(shot) {
  const { length, width, radius, sights, pockets, mouth } = shot.table;
  const rim = 160;
  const svg = document.createElementNS(NS, "svg");
  svg.setAttribute("viewBox", `${-rim} ${-rim} ${length + 2 * rim} ${width + 2 * rim}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-labelledby", "diagram-words");
  const up = (y) => width - y;
  add(svg, "rect", { x: -rim * 0.9, y: -rim * 0.9, width: length + 1.8 * rim, height: width + 1.8 * rim, rx: 60, fill: "#8a6f52" });
  add(svg, "rect", { x: 0, y: 0, width: length, height: width, fill: "#dcebe4", stroke: "#1a1a1a", "stroke-width": 4 });
  for (const [x, y] of pockets) add(svg, "circle", { cx: x, cy: up(y), r: mouth / 2, fill: "#1a1a1a" });
  for (const [x, y] of sights) add(svg, "circle", { cx: x, cy: up(y), r: 10, fill: "#ffffff" });
  for (const [ball, points] of Object.entries(shot.paths)) {
    if (points.length < 2) continue;
    const colour = INK[ball] ?? INK.other;
    const line = points.map((p) => `${p[1]},${up(p[2])}`).join(" ");
    add(svg, "polyline", {
      points: line, fill: "none", stroke: colour, "stroke-width": 9, "stroke-linejoin": "round",
      "stroke-dasharray": dashOf(ball).map((n) => n * 3).join(" "),
    });
    const [first, last] = [points[0], points[points.length - 1]];
    add(svg, "circle", { cx: first[1], cy: up(first[2]), r: radius, fill: "#ffffff", stroke: colour, "stroke-width": 8 });
    add(svg, "circle", { cx: last[1], cy: up(last[2]), r: radius, fill: "none", stroke: colour, "stroke-width": 8, "stroke-dasharray": "16 12" });
  }
  for (const event of shot.events) {
    if (!event.mm || (event.kind !== "cushion" && event.kind !== "ball")) continue;
    add(svg, "circle", { cx: event.mm[0], cy: up(event.mm[1]), r: 17, fill: "none", stroke: "#9c4f7c", "stroke-width": 8 });
  }
  const now = add(svg, "g", { id: "diagram-now" });
  return { svg, now, up };
}

/** Move the balls of the diagram to time t. */
export function place({ now, up }, shot, t) {
  now.replaceChildren();
  for (const [ball, points] of Object.entries(shot.paths)) {
    const last = points.findLast((point) => point[0] <= t + 1e-6);
    if (!last || t - last[0] > 0.25) continue;
    add(now, "circle", { cx: last[1], cy: up(last[2]), r: shot.table.radius, fill: ball === "cue" ? "#ffffff" : "#e69f00", stroke: INK[ball] ?? INK.other, "stroke-width": 7 });
  }
}

/** The diagram in words, for a screen reader. */
export function words(shot) {
  const path = shot.events
    .map((event) => {
      if (event.kind === "strike") return "the cue ball is struck";
      if (event.kind === "ball") return `${event.ball} meets ${event.other}`;
      if (event.kind === "cushion") return `${event.ball} meets the ${event.other} cushion` + (event.sight == null ? "" : ` at sight ${event.sight.toFixed(1)}`);
      if (event.kind === "pocket") return `${event.ball} falls into ${event.other}`;
      return event.kind === "rest" ? `${event.ball} comes to rest` : `${event.ball} meets a jaw`;
    })
    .join("; ");
  return `Table from above: ${path || "no contacts"}.`;
}
