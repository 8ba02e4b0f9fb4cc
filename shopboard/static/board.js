// The page: it listens to the board's events, shows what they say, and sends what is pressed.
// Everything that came from outside is set as text, never as markup.

import { bandIcon, drawRuler, drawTrace, make, markIcon, notchIcon, spreadIcon, withSoFar } from "./draw.js";
import * as sound from "./sound.js";

const $ = (id) => document.getElementById(id);
const SILENT_MS = 10000; // the board says something at least every 3 s
const STALE_MS = 5000; // a reading that nothing followed for so long is not of now
const TRACE_S = 20;
const CORNERS = ["LF", "RF", "LR", "RR"];
const CORNER_WORDS = { LF: "left front", RF: "right front", LR: "left rear", RR: "right rear" };

const stations = new Map();
let source = null;
let token = "";
let heardAt = 0;
let view = null; // {name: "shop"} or {name: "wheel", path, corner} or {name: "history", vehicle}
let broker = { online: true, words: "" };
let boardAway = false;
let live = null; // the last reading here; live.old: not of now
const lastLives = new Map(); // the same of all corners, for the shop
let result = null;
let points = [];
let again = 0;
let traceIsLive = false;

// what a person chose, kept on this device

function remembered(name, otherwise) {
  try { return JSON.parse(localStorage.getItem(`shimwright-${name}`)) ?? otherwise; } catch { return otherwise; }
}
function remember(name, value) {
  try { localStorage.setItem(`shimwright-${name}`, JSON.stringify(value)); } catch { /* private browsing */ }
}

// the stream

function open() {
  close();
  let url = "/events";
  if (view.name === "wheel") url += `?station=${encodeURIComponent(view.path)}&corner=${view.corner}`;
  heardAt = performance.now();
  source = new EventSource(url);
  const on = (event, act) => source.addEventListener(event, (message) => { heard(); act(JSON.parse(message.data)); });
  on("hello", (data) => { token = data.token; });
  on("whole", (all) => {
    stations.clear();
    $("stations").replaceChildren();
    for (const [event, data] of all) take(event, data);
    if (view.name === "wheel") showWheel();
    $("none").hidden = stations.size > 0;
  });
  for (const event of ["broker", "station", "result", "live", "lives", "cue"]) on(event, (data) => take(event, data));
  on("beat", () => {});
  source.onerror = () => {
    lost();
    if (source && source.readyState === EventSource.CLOSED) { close(); tryLater(); }
  };
}

function close() {
  if (source) source.close();
  source = null;
  clearTimeout(again);
}

function tryLater() {
  clearTimeout(again);
  again = setTimeout(async () => {
    try {
      const answer = await fetch("/history?vehicle=-");
      if (answer.status === 401) { askForToken(); return; }
    } catch { /* still away */ }
    open();
  }, 1500);
}

function heard() {
  heardAt = performance.now();
  if (boardAway) { boardAway = false; trouble(); }
}

function lost() {
  boardAway = true;
  markOld();
  markLivesOld();
  trouble();
}

function trouble() {
  const words = boardAway
    ? "The board does not answer: what stands here is from before. It is tried again by itself."
    : broker.online ? "" : `The broker is away: what stands here is from before. ${broker.words}`;
  if ($("trouble").textContent !== words) $("trouble").textContent = words;
  $("trouble").hidden = words === "";
  document.body.classList.toggle("away", words !== "");
  showLive();
}

setInterval(() => {
  if (source && performance.now() - heardAt > SILENT_MS) { lost(); open(); }
  for (const one of document.querySelectorAll("[data-heard]")) ago(one);
  if (live && (live.old || performance.now() - live.came > STALE_MS)) markOld();
}, 1000);

function take(event, data) {
  if (event === "broker") { broker = data; if (!data.online) markOld(); trouble(); }
  else if (event === "station") takeStation(data);
  else if (event === "lives") takeLives(data);
  else if (event === "live") takeLive(data);
  else if (event === "result") takeResult(data);
  else if (event === "cue") sound.tell(data, $("language").value, silent);
}

function takeStation(data) {
  stations.set(data.key, data);
  $("none").hidden = true;
  if (view.name === "shop") showStation(data);
  if (view.name === "wheel") { if (gaugeOf(station(), view.corner)?.state !== "there" || data.state !== "there") markOld(); showWheel(); }
}

// the shop

function showStation(data) {
  const id = `station-${data.key}`;
  const was = $(id);
  const focused = was && was.contains(document.activeElement) ? document.activeElement.dataset.focus : null;
  const off = data.state !== "there";
  if (off) markLivesOld(data.key);
  const card = make("article", { id, class: `station${off ? " off" : ""}`, "aria-label": `Station ${data.name}` });
  const title = make("div", { class: "head" },
    make("h2", { text: data.name }),
    make("p", { class: `chip${off ? " bad" : ""}`, "data-state": data.state, text: `${off ? "✕" : "●"} ${data.words}` }),
    make("p", { class: "car", text: carWords(data) }),
    data.vehicle ? make("p", {}, make("a", { href: `#history/${encodeURIComponent(data.vehicle)}`, text: "its history", "data-focus": "history" })) : null,
    data.simulated ? make("p", { class: "simulated", text: data.gauges.every((one) => one.simulated) ? "SIMULATED: no real hub is measured" : "SIMULATED, in part" }) : null,
    data.unsent ? make("p", { class: "quiet", text: `${data.unsent} measurements wait in its log to be sent` }) : null,
  );
  const gauges = make("ul", { class: "gauges", "aria-label": "Gauges" }, ...data.gauges.map((one) => gaugeRow(data, one)));
  const corners = make("div", { class: "corners" }, ...CORNERS.map((name) => cornerCard(data, name)));
  card.append(title, gauges, corners);
  if (was) was.replaceWith(card);
  else {
    const after = [...$("stations").children].find((one) => one.id > id);
    $("stations").insertBefore(card, after ?? null);
  }
  for (const holder of card.querySelectorAll(".ruler")) drawRuler(holder, holder.ruler);
  for (const number of card.querySelectorAll("[data-live]")) showNumber(number);
  if (focused) card.querySelector(`[data-focus="${focused}"]`)?.focus();
}

function carWords(data) {
  const known = [data.vehicle, data.registration, data.job && `job ${data.job.slice(0, 8)}`].filter(Boolean);
  return known.length ? known.join(" · ") : "no car on it";
}

function gaugeRow(station, one) {
  const lost = one.state !== "there";
  const off = station.state !== "there"; // then all of this is of before
  if (lost && one.corner) markLivesOld(`${station.key}/${one.corner}`);
  const row = make("li", {},
    make("span", { class: "who", text: `${lost ? "✕" : off ? "○" : "●"} ${one.name}` }),
    make("span", { text: one.corner_words ? `at the ${one.corner_words}` : "at no corner" }),
    make("span", { class: lost ? "bad" : "", text: `${off ? "before: " : ""}${one.words}` }),
    one.battery ? make("span", { class: one.battery_low ? "bad" : "quiet", text: one.battery }) : null,
    one.simulated && !station.gauges.every((each) => each.simulated) ? make("span", { class: "simulated", text: "SIMULATED" }) : null,
  );
  const when = make("span", { class: "quiet" });
  if (one.heard_ago !== null) {
    when.dataset.heard = performance.now() - one.heard_ago * 1000;
    if (one.corner) when.dataset.of = `${station.key}/${one.corner}`;
    ago(when);
  } else when.textContent = "not heard yet";
  row.append(when);
  return row;
}

function ago(one) {
  const seconds = Math.max(0, Math.round((performance.now() - Number(one.dataset.heard)) / 1000));
  const words = seconds < 2 ? "heard just now"
    : seconds < 120 ? `last heard ${seconds} s ago`
    : seconds < 7200 ? `last heard ${Math.round(seconds / 60)} min ago`
    : `last heard ${Math.round(seconds / 3600)} h ago`;
  if (one.textContent !== words) one.textContent = words;
}

function latestRow(one) {
  const row = make("li", { "data-measurement": one.id });
  if (one.play) row.append(markIcon(one.stage));
  row.append(make("strong", { text: one.stage_words }), `: ${one.play ? `${one.play}, ` : ""}`,
    make("span", { class: one.verdict === "within" ? "" : "bad", text: one.verdict_words }));
  if (one.fit && one.verdict !== "within") row.append(`; fit ${one.fit}`);
  if (one.simulated) row.append(" ", make("span", { class: "simulated", text: "SIMULATED" }));
  return row;
}

function cornerCard(station, name) {
  const one = station.corners.find((corner) => corner.corner === name);
  if (!one) return make("section", { class: "corner idle" }, make("h3", { text: CORNER_WORDS[name] }), make("p", { text: "not worked on" }));
  const card = make("section", { class: "corner", "data-corner": name },
    make("div", { class: "top" },
      make("h3", { text: one.words }),
      make("a", { class: "go", href: `#wheel/${station.path}/${name}`, text: "At the wheel", "aria-label": `At the wheel, ${one.words}, ${station.name}`, "data-focus": `go-${name}` })),
    make("p", { class: "num", "data-live": `${station.key}/${name}`, hidden: true }));
  const ruler = make("div", { class: "ruler" });
  ruler.ruler = one.ruler;
  card.append(ruler);
  card.append(one.latest.length
    ? make("ul", { class: "latest" }, ...one.latest.map(latestRow))
    : make("p", { text: "not measured yet" }));
  const facts = [`Limits ${one.limits}`, one.fitted && `shim in it ${one.fitted}`, one.gauge ? `gauge ${one.gauge}` : "no gauge there", one.to_measure && `to measure next: ${one.stage}`];
  card.append(make("p", { class: "quiet", text: `${facts.filter(Boolean).join("; ")}.` }));
  if (one.todo.length) card.append(make("ul", { class: "todo" }, ...one.todo.map((text) => make("li", { text }))));
  return card;
}

function takeLives(list) {
  for (const [key, text, phase, strokes] of list) {
    lastLives.set(key, { text: phase === "measuring" ? `${text}, ${strokes} ${strokes === 1 ? "stroke" : "strokes"}` : text, old: false });
    const number = document.querySelector(`[data-live="${CSS.escape(key)}"]`);
    if (number) showNumber(number);
    const when = document.querySelector(`[data-of="${CSS.escape(key)}"]`);
    if (when) { when.dataset.heard = performance.now(); ago(when); }
  }
}

function showNumber(number) {
  const last = lastLives.get(number.dataset.live);
  number.hidden = !last;
  number.classList.toggle("old", last?.old === true);
  number.textContent = !last ? "" : last.old ? `NOT LIVE, gauge read last: ${last.text}` : `Gauge reads ${last.text}`;
}

// What stands there stays, and says that it is not of now. A key may be a station's, a corner's, or everybody's.
function markLivesOld(key = "") {
  for (const [of, last] of lastLives) if (key === "" || of === key || of.startsWith(`${key}/`)) last.old = true;
  for (const number of document.querySelectorAll("[data-live]")) showNumber(number);
}

// at the wheel

function station() {
  return [...stations.values()].find((one) => one.path === view.path || one.key === view.path || one.name === view.path) ?? null;
}

function cornerOf(here, name) { return here?.corners.find((one) => one.corner === name) ?? null; }
function gaugeOf(here, name) { return here?.gauges.find((one) => one.corner === name) ?? null; }

function showWheel() {
  const here = station();
  const corner = cornerOf(here, view.corner);
  const gauge = gaugeOf(here, view.corner);
  $("wheel-title").textContent = `${CORNER_WORDS[view.corner]}, ${here ? here.name : view.path}`;
  document.title = `${CORNER_WORDS[view.corner]} · shimwright`;
  $("wheel-car").textContent = here ? carWords(here) : "";
  $("wheel-simulated").hidden = !(gauge?.simulated || live?.simulated || (result?.simulated && !gauge));
  const [bad, words] = stateWords(here, gauge);
  $("wheel-state").className = bad ? "chip bad" : "chip";
  $("wheel-state").textContent = `${bad ? "✕" : "●"} ${words}`;
  showCars(here);
  showResultTitle();
  showTodo();
  showLive(corner, gauge, here);
}

// The open job cards, where there is something to choose.
let listed = "";
function showCars(here) {
  const jobs = here?.jobs ?? [];
  $("car-choice").hidden = jobs.length < 2 && jobs.every((one) => one.job === here?.job);
  const now = JSON.stringify([jobs, here?.job]);
  if (now === listed) return; // it may be open just now
  listed = now;
  const none = jobs.some((one) => one.job === here.job) ? [] : [make("option", { value: "", text: "none of these" })];
  $("car").replaceChildren(...none, ...jobs.map((one) => make("option", { value: one.job, text: one.words })));
  $("car").value = none.length ? "" : here.job;
}

function stateWords(here, gauge) {
  if (!here) return [true, "This station has not been heard of. It comes by itself."];
  if (here.state !== "there") return [true, `Station ${here.name} ${here.words}`];
  if (!gauge) return [true, "No gauge is at this corner: go to the corner where it is, and press Next corner there."];
  const battery = gauge.battery ? `, ${gauge.battery}` : "";
  return [gauge.state !== "there" || gauge.battery_low, `Gauge ${gauge.name}: ${gauge.short}${battery}`];
}

function nowWords(corner, gauge, here) {
  if (boardAway || !broker.online) return "Wait: the connection is lost. What you measure is kept at the station.";
  if (!here || here.state !== "there") return "Wait for the station.";
  const lost = gauge && gauge.state !== "there";
  const now = live?.old ? null : live;
  const phase = lost ? null : now?.phase ?? gauge?.phase;
  if (phase === "measuring") return now?.keeps ? `Go on: ${live.keeps}` : "Push and pull, stop to stop.";
  const todo = corner?.todo?.length ? corner.todo.find((text) => text.startsWith("Next: ")) ?? corner.todo[0] : null;
  if (todo && !corner.to_measure) return todo; // done, or apart: no gauge is wanted
  if (lost) return "The gauge is lost: check its cable or battery.";
  if (todo) return todo;
  if (phase === "waiting") return "Ready: push and pull the hub, stop to stop.";
  if (phase === "settling") return "Leave the hub still for a moment.";
  return "";
}

function showLive(corner, gauge, here) {
  if (view?.name !== "wheel") return;
  here ??= station();
  corner ??= cornerOf(here, view.corner);
  gauge ??= gaugeOf(here, view.corner);
  const digits = live ? live.digits : "–";
  $("digits").textContent = digits;
  $("digits").style.setProperty("--n", Math.max(5, digits.length));
  $("unit").textContent = live ? live.unit : "";
  $("strokes").textContent = live ? live.strokes : "–";
  $("half").textContent = live?.half ? `and ${live.half} half, not counted` : "";
  $("estimate").textContent = live?.estimate ?? "–";
  document.querySelector(".live").classList.toggle("old", !live || live.old === true);
  const old = live?.old ? `NOT LIVE: the last reading, ${age(performance.now() - live.came)} old` : "";
  if ($("old").textContent !== old) $("old").textContent = old;
  $("old").hidden = old === "";
  showLiveRuler(corner);
  const words = nowWords(corner, gauge, here);
  if ($("now").textContent !== words) $("now").textContent = words;
  showMind(corner, words);
}

// What else the job card says, its cautions above all: they belong beside the work.
function showMind(corner, words) {
  const more = corner?.on_card ? corner.todo.filter((text) => text !== words) : [];
  const now = more.join("\n");
  if ($("mind").dataset.words === now) return;
  $("mind").dataset.words = now;
  $("mind").hidden = !more.length;
  $("mind").replaceChildren(...more.map((text) => make("li", { text })));
}

// In coarse steps: it is also read aloud.
function age(ms) {
  const seconds = ms / 1000;
  return seconds < 10 ? "a few seconds" : seconds < 60 ? `${Math.floor(seconds / 10) * 10} s` : seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
}

let drawn = "";
function showLiveRuler(corner) {
  const holder = $("live-ruler");
  holder.hidden = !corner;
  if (!corner) { drawn = ""; return; }
  const soFar = live && !live.old && live.phase === "measuring" && live.play !== null;
  const now = JSON.stringify([corner.ruler, soFar && [live.play, live.spread], holder.clientWidth]);
  if (now === drawn) return;
  drawn = now;
  const bare = { ...corner.ruler, notches: [] };
  drawRuler(holder, soFar ? withSoFar({ ...bare, words: `${bare.words} So far: ${live.estimate}.` }, live.play, live.spread ?? 0) : bare);
}

function markOld() {
  if (live) live.old = true;
  showLive();
}

function takeLive(data) {
  if (live?.old) points = [];
  live = { ...data, old: false, came: performance.now() };
  showResultTitle();
  points.push(...data.points);
  while (points.length && points[points.length - 1][0] - points[0][0] > TRACE_S) points.shift();
  if (points.length > 1 && points[points.length - 1][0] < points[0][0]) points = data.points.slice();
  if (data.simulated) $("wheel-simulated").hidden = false;
  showLive();
  if (data.phase === "measuring" || !result?.trace) {
    traceIsLive = true;
    $("trace-words").textContent = `The last ${TRACE_S} seconds, live.`;
    drawTrace($("trace"), points, data.unit, "Readings of the last seconds");
  } else if (traceIsLive) showTrace();
}

function takeResult(data) {
  result = data;
  showResult();
}

function showResult() {
  const box = document.querySelector(".result");
  box.dataset.measurement = result?.id ?? "";
  if (!result) {
    showResultTitle();
    $("result-words").replaceChildren(make("p", { class: "quiet", text: "None yet at this corner." }));
    $("result-ruler").replaceChildren();
    $("result-more").replaceChildren();
    $("trace").replaceChildren();
    $("trace-words").textContent = "None yet.";
    return;
  }
  if (!result.old) { box.classList.remove("new"); void box.offsetWidth; box.classList.add("new"); }
  showResultTitle();
  const good = result.verdict === "within";
  $("result-words").replaceChildren(...[
    make("p", { class: `verdict${good ? "" : " bad"}`, text: `${good ? "✓" : "✕"} ${result.verdict_words}` }),
    result.play ? make("p", { class: "play", text: result.play }) : null,
    result.by ? make("p", { text: result.by }) : null,
    result.fit && !good ? make("p", { class: "fit", text: `Fit ${result.fit}` }) : null,
    result.reasons.length ? make("ul", { class: "reasons" }, ...result.reasons.map((text) => make("li", { text }))) : null,
    result.simulated ? make("p", { class: "simulated", text: "SIMULATED: not from a real hub" }) : null,
  ].filter(Boolean));
  drawRuler($("result-ruler"), result.ruler);
  const more = [];
  const said = [result.odds, result.strokes !== null ? `${result.strokes} strokes` : null, `limits ${result.limits}`,
    result.fitted && `shim in it ${result.fitted}`, result.gauge && `gauge ${result.gauge}`].filter(Boolean);
  more.push(make("p", { class: "quiet facts", text: `${said.join("; ")}.` }));
  if (result.why && !good) more.push(make("p", { text: `Why this shim: ${result.why}` }));
  const beyond = [[result.ruler.below, "left"], [result.ruler.above, "right"]].filter(([count]) => count > 0);
  if (beyond.length) more.push(make("p", { class: "quiet", text: `Not on the ruler: ${beyond.map(([count, side]) => `${count} more ${count === 1 ? "shim" : "shims"} on hand, beyond its ${side} end`).join("; ")}.` }));
  if (result.todo.length) more.push(make("div", { id: "result-todo" }, make("h3", { text: "What to do now" }), make("ul", {}, ...result.todo.map((text) => make("li", { text })))));
  for (const text of result.notes) more.push(make("p", { class: "quiet", text }));
  $("result-more").replaceChildren(...more);
  showTodo();
  showTrace();
}

// A job card goes on from the result, and says above what comes next.
function showTodo() {
  const box = $("result-todo");
  if (box) box.hidden = cornerOf(station(), view.corner)?.on_card === true;
}

function ofAnotherCar() {
  const here = station();
  if (!result || !here?.job) return false;
  return result.job ? result.job !== here.job : result.vehicle !== here.vehicle;
}

// While it is measured again, what stands there is of before: said, and drawn with a broken frame.
function showResultTitle() {
  const other = ofAnotherCar();
  const before = other || live?.phase === "measuring";
  document.querySelector(".result").classList.toggle("old", before);
  const when = result ? `, ${result.stage_words}, ${localTime(result.at)}` : "";
  const whose = other ? `NOT OF THIS CAR: the last one at this corner${result.vehicle ? `, ${result.vehicle}` : ""}` : "";
  const words = `${whose || (before && result ? "Before this one" : "Result")}${when}`;
  if ($("result-title").textContent !== words) $("result-title").textContent = words;
}

function showTrace() {
  traceIsLive = false;
  if (result?.trace) {
    $("trace-words").textContent = "The readings of the result.";
    const list = result.trace.time.map((t, i) => [t, result.trace.reading[i], result.trace.reading[i]]);
    drawTrace($("trace"), list, result.ruler.unit, "Readings of this result");
  }
}

function localTime(text) {
  const at = new Date(text);
  return Number.isNaN(at.getTime()) ? text : at.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

// actions

const busy = new Set();

async function send(name, command) {
  const here = station();
  if (!here || busy.has(name)) return false;
  const button = document.querySelector(`[data-do="${name}"]`);
  busy.add(name);
  button?.setAttribute("aria-busy", "true");
  $("answer").textContent = `${name}: asked …`;
  try {
    const answer = await fetch("/command", {
      method: "POST",
      headers: { "content-type": "application/json", "x-board-token": token },
      body: JSON.stringify({ shop: here.shop, station: here.name, command }),
    });
    if (answer.status === 401) askForToken();
    const said = await answer.json();
    $("answer").className = said.ok ? "" : "bad";
    $("answer").textContent = `${said.ok ? "✓ Done" : "✕ NOT DONE"}: ${said.text}`;
    return said.ok;
  } catch {
    $("answer").className = "bad";
    $("answer").textContent = "✕ NOT DONE: the board does not answer";
    return false;
  } finally {
    busy.delete(name);
    button?.removeAttribute("aria-busy");
  }
}

const ACTIONS = {
  start: () => send("start", { command: "start", corner: view.corner }),
  accept: () => send("accept", { command: "accept", corner: view.corner }),
  redo: () => send("redo", { command: "redo", corner: view.corner }),
  next: nextCorner,
  note: () => { $("note-form").hidden = false; $("note").focus(); },
  back: () => { location.hash = "#shop"; },
};
const KEYS = { s: "start", a: "accept", r: "redo", n: "next", t: "note", b: "back" };

// To the next corner that is worked on. A gauge that is here and not there goes along.
async function nextCorner() {
  const here = station();
  if (!here) return;
  const worked = CORNERS.filter((name) => cornerOf(here, name) || gaugeOf(here, name));
  const all = worked.length > 1 ? worked : CORNERS;
  const next = all[(all.indexOf(view.corner) + 1) % all.length];
  const gauge = gaugeOf(here, view.corner);
  if (gauge && !gaugeOf(here, next)) {
    const done = await send("next", { command: "select", corner: next, gauge: gauge.name });
    if (!done) return;
  }
  location.hash = `#wheel/${view.path}/${next}`;
}

document.addEventListener("keydown", (event) => {
  if (view?.name !== "wheel" || !$("keys").checked || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.target.closest("input:not([type=checkbox]), textarea, select")) return;
  const name = KEYS[event.key.toLowerCase()];
  if (!name) return;
  event.preventDefault();
  ACTIONS[name]();
});
for (const button of document.querySelectorAll("[data-do]")) button.addEventListener("click", () => ACTIONS[button.dataset.do]());
$("car").addEventListener("change", async () => {
  if ($("car").value) await send("car", { command: "select", job: $("car").value });
  listed = ""; // what was not done is not shown as done
  showCars(station());
});
$("note-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = $("note").value.trim();
  if (text && (await send("note", { command: "note", corner: view.corner, text }))) closeNote();
});
$("note-cancel").addEventListener("click", closeNote);
function closeNote() {
  $("note").value = "";
  $("note-form").hidden = true;
  document.querySelector('[data-do="note"]').focus();
}

// the token

function askForToken() {
  close();
  for (const name of ["shop", "wheel", "history"]) $(name).hidden = true;
  boardAway = false;
  trouble();
  $("enter").hidden = false;
  $("token").focus();
}
$("enter-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  $("enter-answer").textContent = "asked …";
  try {
    const answer = await fetch("/enter", {
      method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ token: $("token").value.trim() }),
    });
    const said = await answer.json();
    $("enter-answer").textContent = said.text;
    if (said.ok) { $("token").value = ""; route(); }
  } catch { $("enter-answer").textContent = "the board does not answer"; }
});

// history

const COLUMNS = ["When", "Vehicle", "Corner", "Stage", "End play", "Verdict", "Shim in it", "Shim to fit"];

async function showHistory() {
  $("history-words").textContent = "looking …";
  let data;
  try {
    const answer = await fetch(view.vehicle ? `/history?vehicle=${encodeURIComponent(view.vehicle)}` : "/history");
    if (answer.status === 401) { askForToken(); return; }
    data = await answer.json();
  } catch { $("history-words").textContent = "The board does not answer."; return; }
  if (view.name !== "history") return;
  const names = [...new Set([...data.vehicles, ...(view.vehicle ? [view.vehicle] : [])])].sort();
  $("vehicle").replaceChildren(make("option", { value: "", text: "all" }),
    ...names.map((name) => make("option", { value: name, text: name, selected: name === view.vehicle })));
  const found = `${data.results.length === 1 ? "1 measurement" : `${data.results.length} measurements`}, ${data.log ? "from the log and the newest of each corner" : "the newest of each corner that the broker keeps"}.`;
  $("history-words").textContent = [found, data.trouble].filter(Boolean).join(" ");
  $("history-rulers").replaceChildren(...data.rulers.map(([words, ruler]) => {
    const holder = make("div", { class: "ruler" });
    holder.ruler = ruler;
    return make("section", { class: "corner" }, make("h2", { text: words }), holder);
  }));
  for (const holder of $("history-rulers").querySelectorAll(".ruler")) drawRuler(holder, holder.ruler);
  const head = make("tr", { role: "row" }, ...COLUMNS.map((text) => make("th", { role: "columnheader", scope: "col", text })));
  const rows = data.results.map((one) => make("tr", { role: "row" }, ...[
    localTime(one.at), one.vehicle, one.corner, one.stage_words, one.play, one.verdict_words + (one.simulated ? " (SIMULATED)" : ""),
    one.fitted, one.verdict === "within" ? null : one.fit,
  ].map((text, i) => make("td", { role: "cell", "data-column": COLUMNS[i], text: text ?? "–" }))));
  // on a phone each row is a card, which takes its meaning from a table unless it is said
  $("history-table").replaceChildren(make("table", { role: "table" }, make("thead", { role: "rowgroup" }, head), make("tbody", { role: "rowgroup" }, ...rows)));
}
$("vehicle").addEventListener("change", () => { location.hash = $("vehicle").value ? `#history/${encodeURIComponent($("vehicle").value)}` : "#history"; });

// sound, colours, keys: chosen and remembered

const silent = new Set(remembered("silent", []));
for (const [kind, words] of Object.entries(sound.KINDS)) {
  const box = make("input", { type: "checkbox", "data-kind": kind });
  box.checked = !silent.has(kind);
  box.addEventListener("change", () => {
    if (box.checked) silent.delete(kind); else silent.add(kind);
    remember("silent", [...silent]);
  });
  $("kinds").append(make("label", { class: "tick" }, box, ` ${words}`));
}
$("sound").addEventListener("click", () => {
  sound.turn(!sound.isOn());
  $("sound").textContent = sound.isOn() ? "Turn sound off" : "Turn sound on";
});
$("language").value = remembered("language", navigator.language?.startsWith("de") ? "de" : "en");
$("language").addEventListener("change", () => remember("language", $("language").value));
$("keys").checked = remembered("keys", true);
$("keys").addEventListener("change", () => remember("keys", $("keys").checked));

const THEMES = { auto: "system", light: "light", dark: "dark" };
function setTheme(name) {
  if (name === "auto") document.documentElement.removeAttribute("data-theme");
  else document.documentElement.dataset.theme = name;
  $("theme").textContent = `Colours: ${THEMES[name]}`;
  remember("theme", name);
}
let theme = remembered("theme", "auto");
if (!(theme in THEMES)) theme = "auto";
setTheme(theme);
$("theme").addEventListener("click", () => {
  const names = Object.keys(THEMES);
  theme = names[(names.indexOf(theme) + 1) % names.length];
  setTheme(theme);
});

$("legend").append(
  make("span", {}, bandIcon(), "end play within limits"),
  make("span", {}, markIcon("as-found"), "as found"), make("span", {}, markIcon("trial"), "with the trial shim"), make("span", {}, markIcon("as-left"), "as left"),
  make("span", {}, spreadIcon(), "95 % interval of the reading above it"),
  make("span", {}, notchIcon(false), "shim on hand, at the end play it would give"), make("span", {}, notchIcon(true), "shim to fit"));

// which view

function route() {
  const hash = location.hash.slice(1);
  if (hash === "main") { $("main").focus(); return; }
  const parts = hash.split("/").map((one) => { try { return decodeURIComponent(one); } catch { return one; } });
  $("enter").hidden = true;
  live = null; result = null; points = []; drawn = "";
  lastLives.clear();
  $("answer").textContent = "";
  if (parts[0] === "wheel" && parts.length >= 3 && parts.length <= 4 && CORNERS.includes(parts[parts.length - 1]))
    view = { name: "wheel", path: parts.slice(1, -1).join("/"), corner: parts[parts.length - 1] };
  else if (parts[0] === "history") view = { name: "history", vehicle: parts.slice(1).join("/") };
  else view = { name: "shop" };
  for (const name of ["shop", "wheel", "history"]) $(name).hidden = view.name !== name;
  for (const name of ["shop", "history"]) {
    if (view.name === name) $(`to-${name}`).setAttribute("aria-current", "page"); else $(`to-${name}`).removeAttribute("aria-current");
  }
  document.title = { shop: "The shop", wheel: "At the wheel", history: "History" }[view.name] + " · shimwright";
  stations.clear();
  $("stations").replaceChildren();
  if (view.name === "wheel") { showResult(); showWheel(); }
  open();
  if (view.name === "history") showHistory();
  window.scrollTo(0, 0);
}

let resized = 0;
window.addEventListener("resize", () => {
  clearTimeout(resized);
  resized = setTimeout(() => {
    showLive();
    for (const holder of document.querySelectorAll(".ruler")) if (holder.ruler) drawRuler(holder, holder.ruler);
    if (view.name === "wheel" && result) { drawRuler($("result-ruler"), result.ruler); }
  }, 150);
});
window.addEventListener("hashchange", route);
route();
