// The ruler and the trace, as SVG. What is where was worked out by the board; here it is only drawn.

const NS = "http://www.w3.org/2000/svg";
let count = 0;

export function make(name, attributes = {}, ...children) {
  const one = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "text") one.textContent = value;
    else one.setAttribute(key, value === true ? "" : value);
  }
  one.append(...children.filter((child) => child !== null && child !== undefined));
  return one;
}

function shape(name, attributes = {}, text = null) {
  const one = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== null) one.textContent = text;
  return one;
}

// As found is an open diamond, a trial an open square, as left a filled diamond, what is not ended yet a circle:
// told apart without colour, and named.
function markShape(stage, x, y, r) {
  if (stage === "so-far") return shape("circle", { class: "mark open", cx: x, cy: y, r: r * 0.85 });
  if (stage === "trial")
    return shape("rect", { class: "mark open", x: x - r * 0.8, y: y - r * 0.8, width: r * 1.6, height: r * 1.6 });
  const d = `M${x} ${y - r}L${x + r} ${y}L${x} ${y + r}L${x - r} ${y}Z`;
  return shape("path", { class: stage === "as-left" ? "mark" : "mark open", d });
}

export function markIcon(stage) {
  const svg = shape("svg", { width: 20, height: 20, viewBox: "0 0 20 20", "aria-hidden": "true" });
  svg.append(markShape(stage, 10, 10, 7));
  return svg;
}

export function notchIcon(chosen) {
  const svg = shape("svg", { width: 20, height: 20, viewBox: "0 0 20 20", "aria-hidden": "true" });
  const r = chosen ? 7 : 5;
  svg.append(shape("path", { class: `notch${chosen ? " chosen" : ""}`, d: `M${10 - r} 4h${2 * r}l${-r} 13Z` }));
  return svg;
}

export function spreadIcon() {
  const svg = shape("svg", { width: 30, height: 20, viewBox: "0 0 30 20", "aria-hidden": "true" });
  svg.append(shape("path", { class: "whisker", d: "M4 4v12M26 4v12M4 10H26" }));
  return svg;
}

export function bandIcon() {
  const svg = shape("svg", { width: 30, height: 20, viewBox: "0 0 30 20", "aria-hidden": "true" });
  svg.append(
    shape("rect", { class: "band", x: 3, y: 3, width: 24, height: 14 }),
    shape("path", { class: "hatch", d: "M5 17l14-14M12 17l14-14" }),
    shape("path", { class: "bandline", d: "M6 2h-4v16h4M24 2h4v16h-4" }),
  );
  return svg;
}

const SHORT = { "as-found": "found", trial: "trial", "as-left": "left", "so-far": "so far" };

// The corner's ruler with the measurement that is going on: the scale grows where that reaches beyond it.
export function withSoFar(ruler, at, spread) {
  const far = at + spread;
  const ticks = [...ruler.ticks];
  let high = ruler.high;
  if (far > high && ticks.length > 1) {
    const step = ticks[1].at - ticks[0].at;
    const number = Number(ticks[1].text) - Number(ticks[0].text);
    const decimals = (ticks[1].text.split(".")[1] ?? "").length;
    high = far * 1.08;
    for (let last = ticks.at(-1); last.at + step <= high && ticks.length < 60; last = ticks.at(-1))
      ticks.push({ at: last.at + step, text: (Number(last.text) + number).toFixed(decimals) });
  }
  const marks = [...ruler.marks, { at, spread, stage: "so-far", text: "" }];
  return { ...ruler, high, ticks, marks };
}

export function drawRuler(holder, ruler) {
  const width = Math.max(260, holder.clientWidth || 320);
  const pad = 14;
  const end = width - 36; // right of it the unit
  const x = (mm) => pad + ((mm - ruler.low) / (ruler.high - ruler.low)) * (end - pad);
  const clamp = (value) => Math.min(end, Math.max(pad, value));
  const svg = shape("svg", { role: "img", "aria-label": ruler.words });
  svg.append(shape("title", {}, ruler.words));

  // marks, each on a row of its own where they would touch
  const marks = [...ruler.marks].sort((a, b) => a.at - b.at);
  const rows = [];
  for (const mark of marks) {
    const left = x(mark.at - mark.spread) - 34;
    const right = x(mark.at + mark.spread) + 34;
    let row = rows.findIndex((end) => end < left);
    if (row < 0) row = rows.push(0) - 1;
    rows[row] = right;
    mark.row = row;
  }
  const rowHeight = 52;
  const top = 4 + rows.length * rowHeight;
  for (const mark of marks) { // below the marks and their names
    const at = clamp(x(mark.at));
    svg.append(shape("path", { class: "grid", d: `M${at} ${top - mark.row * rowHeight - 27}V${top + 34}` }));
  }
  for (const mark of marks) {
    const y = top - mark.row * rowHeight - 27;
    const line = y + 18; // the whisker lies below its mark, so that a short one is seen too
    const at = clamp(x(mark.at));
    const [from, to] = [clamp(x(mark.at - mark.spread)), clamp(x(mark.at + mark.spread))];
    if (to - from > 2)
      svg.append(shape("path", { class: "whisker", d: `M${from} ${line - 6}v12M${to} ${line - 6}v12M${from} ${line}H${to}` }));
    svg.append(markShape(mark.stage, at, y, 8));
    const label = shape("text", { x: Math.min(width - 24, Math.max(24, at)), y: y - 13, "text-anchor": "middle", "font-size": 14, class: "strong over" });
    label.textContent = SHORT[mark.stage];
    svg.append(label);
  }

  // the limits: a hatched band between brackets, named
  const [a, b] = [clamp(x(ruler.least)), clamp(x(ruler.most))];
  const wide = Math.max(2, b - a);
  const id = `hatch-${(count += 1)}`;
  const pattern = shape("pattern", { id, width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(shape("path", { class: "hatch", d: "M0 0V9" }));
  const bandTop = top + 4;
  svg.append(pattern);
  svg.append(shape("rect", { class: "band", x: a, y: bandTop, width: wide, height: 24 }));
  svg.append(shape("rect", { fill: `url(#${id})`, x: a, y: bandTop, width: wide, height: 24 }));
  svg.append(shape("path", { class: "bandline", d: `M${a + 6} ${bandTop - 3}H${a}V${bandTop + 27}H${a + 6}M${b - 6} ${bandTop - 3}H${b}V${bandTop + 27}H${b - 6}` }));
  if (wide > 116) {
    const middle = (a + b) / 2;
    svg.append(shape("rect", { class: "band", x: middle - 50, y: bandTop + 2, width: 100, height: 20 }));
    svg.append(shape("text", { x: middle, y: bandTop + 17, "text-anchor": "middle", "font-size": 14, class: "strong" }, "within limits"));
  }

  // the axis
  const axis = top + 36;
  svg.append(shape("path", { class: "axis", d: `M${pad} ${axis}H${end}` }));
  let free = -Infinity;
  ruler.ticks.forEach((tick, i) => {
    const at = x(tick.at);
    svg.append(shape("path", { class: "axis", d: `M${at} ${axis}v8` }));
    if (i + 1 < ruler.ticks.length) {
      const step = (x(ruler.ticks[i + 1].at) - at) / 5;
      if (step > 5) for (let k = 1; k < 5; k += 1) svg.append(shape("path", { class: "grid", d: `M${at + k * step} ${axis}v5` }));
    }
    const half = tick.text.length * 4.5;
    if (at - half < free || at + half > width) return;
    free = at + half + 6;
    svg.append(shape("text", { x: Math.max(half, at), y: axis + 23, "text-anchor": "middle", "font-size": 14 }, tick.text));
  });
  svg.append(shape("text", { x: width - 2, y: axis + 5, "text-anchor": "end", "font-size": 14, class: "strong" }, ruler.unit));

  // the shims: notches cut into the lower edge, the one to fit framed
  let height = axis + 32;
  if (ruler.notches.length) {
    const edge = axis + 36;
    let named = -Infinity;
    const chosen = ruler.notches.find((one) => one.chosen);
    for (const one of [...ruler.notches].sort((p, q) => p.at - q.at)) {
      const at = x(one.at);
      const r = one.chosen ? 8 : 5;
      svg.append(shape("path", { class: `notch${one.chosen ? " chosen" : ""}`, d: `M${at - r} ${edge}h${2 * r}l${-r} ${one.chosen ? 15 : 10}Z` }));
      const half = one.text.length * 4.4 + (one.chosen ? 4 : 0);
      const inWay = chosen && !one.chosen && Math.abs(at - x(chosen.at)) < half + chosen.text.length * 4.4 + 12;
      if (inWay || (!one.chosen && at - half < named) || at - half < 0 || at + half > width) continue;
      named = at + half + 5;
      svg.append(shape("text", { x: at, y: edge + 32, "text-anchor": "middle", "font-size": 13, class: one.chosen ? "strong" : "" }, one.text));
      if (one.chosen) svg.append(shape("rect", { class: "frame", x: at - half - 2, y: edge + 18, width: 2 * half + 4, height: 19, rx: 3 }));
    }
    height = edge + 42;
  }
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("height", height);
  holder.replaceChildren(svg);
}

// A trace: lows and highs over time, so that no peak is lost.
export function drawTrace(holder, points, unit, words) {
  const width = Math.max(260, holder.clientWidth || 320);
  const height = 180;
  const [left, right, top, bottom] = [58, 8, 8, 26];
  const svg = shape("svg", { role: "img", "aria-label": words, viewBox: `0 0 ${width} ${height}`, height });
  if (points.length > 1) {
    const scale = unit === "in" ? 25.4 : 1;
    let [low, high] = [Infinity, -Infinity];
    for (const [, a, b] of points) { low = Math.min(low, a); high = Math.max(high, b); }
    const room = Math.max((high - low) * 0.08, 0.004);
    low -= room; high += room;
    const [begin, end] = [points[0][0], points[points.length - 1][0]];
    const x = (t) => left + ((t - begin) / Math.max(end - begin, 0.001)) * (width - left - right);
    const y = (mm) => top + ((high - mm) / (high - low)) * (height - top - bottom);
    for (let i = 0; i <= 3; i += 1) {
      const mm = low + ((high - low) * i) / 3;
      svg.append(shape("path", { class: "grid", d: `M${left} ${y(mm)}H${width - right}` }));
      svg.append(shape("text", { x: left - 5, y: y(mm) + 5, "text-anchor": "end", "font-size": 13, class: "faint" }, (mm / scale).toFixed(unit === "in" ? 4 : 3)));
    }
    svg.append(shape("text", { x: left, y: height - 6, "font-size": 13, class: "faint" }, `0 s, ${unit} upwards`));
    svg.append(shape("text", { x: width - right, y: height - 6, "text-anchor": "end", "font-size": 13, class: "faint" }, `${(end - begin).toFixed(1)} s`));
    let d = "";
    for (const [t, a, b] of points) {
      d += `${d ? "L" : "M"}${x(t).toFixed(1)} ${y(a).toFixed(1)}`;
      if (b !== a) d += `V${y(b).toFixed(1)}`;
    }
    svg.append(shape("path", { class: "curve", d }));
  }
  holder.replaceChildren(svg);
}
