// The verdict with its checks, and the numbers.

export const MARKS = { clean: "✓", mishit: "✕", unusable: "?" };

export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

const NAMES = {
  roll: "Roll", drift: "Drift", cross: "Sideways", cut: "Cut", side: "Side", throw: "Throw", speed: "Speed", aim: "Aim",
};
const STATES = {
  within: "within", beyond: "beyond", "uncertain-within": "within, not sure", "uncertain-beyond": "beyond, not sure",
  "cannot-tell": "cannot tell",
};

export function verdictCard(shot) {
  const title = element("h2", {}, element("span", { class: `mark ${shot.verdict}`, "aria-hidden": "true" }, MARKS[shot.verdict]), `Program: ${shot.verdict}`);
  const reasons = element("ul", {}, ...shot.reasons.map((reason) => element("li", {}, reason)));
  const rows = shot.checks.map((check) =>
    element("tr", {},
      element("th", { scope: "row" }, NAMES[check.name] ?? check.name),
      element("td", { class: "gauge" }, gauge(check)),
      element("td", { class: "value" }, check.shown)));
  const table = element("table", { class: "checks" }, element("caption", { class: "unseen" }, "Deviation of each measure against its tolerance"), element("tbody", {}, ...rows));
  const seen = shot.quality;
  const quality = element("p", { class: "quiet" },
    [seen.frames_seen != null ? `balls seen in ${(100 * seen.frames_seen).toFixed(0)} % of frames` : "",
      seen.residual_mm != null ? `paths fit to ${seen.residual_mm.toFixed(1)} mm` : "",
      seen.calibration_rms_px != null ? `calibration to ${seen.calibration_rms_px.toFixed(2)} px` : ""].filter(Boolean).join(", "));
  return [title, ...(shot.reasons.length ? [reasons] : []), table, quality];
}

/** A bar: the tolerance as a band around the wanted value, the measured value as a dot with its uncertainty (k = 2). */
function gauge(check) {
  const NS = "http://www.w3.org/2000/svg";
  const span = 2.2 * check.tolerance;
  const x = (value) => 100 + 96 * Math.max(-1, Math.min(1, (value - check.wanted) / span));
  const svg = document.createElementNS(NS, "svg");
  const put = (name, attributes) => {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    svg.append(made);
  };
  const { value, u } = check.measured;
  svg.setAttribute("viewBox", "0 0 200 24");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `${check.shown}, wanted ${check.wanted.toFixed(2)} within ${check.tolerance.toFixed(2)}: ${STATES[check.state]}`);
  put("rect", { x: x(check.wanted - check.tolerance), y: 5, width: x(check.wanted + check.tolerance) - x(check.wanted - check.tolerance), height: 14, fill: "#56b4e9", "fill-opacity": 0.35 });
  put("line", { x1: 100, x2: 100, y1: 3, y2: 21, stroke: "currentcolor", "stroke-width": 1 });
  put("line", { x1: x(value - 2 * u), x2: x(value + 2 * u), y1: 12, y2: 12, stroke: "currentcolor", "stroke-width": 2.5 });
  const off = check.state.endsWith("beyond");
  if (off) put("rect", { x: x(value) - 5, y: 7, width: 10, height: 10, fill: "#d55e00", stroke: "currentcolor" });
  else put("circle", { cx: x(value), cy: 12, r: 5.5, fill: "#009e73", stroke: "currentcolor" });
  return svg;
}

export function numbersCard(shot) {
  const hit = shot.measures.filter((m) => m.part === "hit");
  const outcome = shot.measures.filter((m) => m.part !== "hit");
  const rows = [part("The hit"), ...hit.map(row)];
  if (shot.hidden) rows.push(part("After the first cushion: hidden until you decide"));
  else if (outcome.length) rows.push(part("The bank"), ...outcome.map(row));
  const table = element("table", { class: "measures" }, element("tbody", {}, ...rows));
  const about = [shot.name && `Shot ${shot.name}`, shot.kind, shot.pattern && `pattern ${shot.pattern}`, shot.target && `to ${shot.target}`,
    shot.speed_class && `speed ${shot.speed_class}`, shot.outcome].filter(Boolean).join(", ");
  const conditions = Object.values(shot.conditions).join(", ");
  return [
    element("h2", {}, "Numbers"),
    element("p", { class: "quiet" }, about),
    ...(conditions ? [element("p", { class: "quiet" }, `Conditions: ${conditions}`)] : []),
    table,
    ...(shot.notes ? [element("p", { class: "quiet" }, shot.notes)] : []),
  ];
}

const part = (words) => element("tr", { class: "part" }, element("th", { colspan: "3", scope: "colgroup" }, words));

function row(m) {
  const gap = m.unit === "°" || m.unit === "" ? "" : " ";
  return element("tr", { title: m.meaning },
    element("th", { scope: "row" }, m.label),
    element("td", {}, `${m.shown}${gap}${m.unit}`),
    element("td", { class: "u" }, `± ${m.shown_u}`));
}
