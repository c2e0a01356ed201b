// The cohort page: filters, two pictures that select rows, and a table of which only rows in view are drawn.
const ROW = 48;
const MOST_LEVELS = 12;
// For the rounding of a sum of runs that is just enough.
const SLACK = 1 - 1e-9;
const table = document.getElementById("table");
const state = { sort: "mean_fd_mm", down: true, here: null, filters: {}, shown: [], review: null };

// ---- columns --------------------------------------------------------------------------------------------------
// Nothing is known yet of these.
const open = (row) => row.verdict === "not_done";
const words = (text) => (text || "").replaceAll("_", " ");
function columns() {
  const list = [
    { key: "stem", name: "child", kind: "c-stem", value: (row) => row.stem },
    { key: "strip", name: "time in the scanner", kind: "c-strip", value: (row) => row.minutes },
    { key: "mean_fd_mm", name: "mean FD, mm", kind: "c-number n", value: (row) => row.mean_fd_mm, show: (row) => digits(row.mean_fd_mm, 3) },
    { key: "minutes_kept", name: "minutes kept", kind: "c-number n", value: (row) => open(row) ? null : row.minutes_kept, show: (row) => open(row) ? "n/a" : `${digits(row.minutes_kept, 1)} of ${digits(row.minutes, 1)}` },
    { key: "longest_stretch_s", name: "longest still, s", kind: "c-number n", value: (row) => row.longest_stretch_s, show: (row) => digits(row.longest_stretch_s, 0) },
    { key: "verdict", name: "verdict", kind: "c-word", value: (row) => row.verdict, show: (row) => words(row.verdict) },
  ];
  if (state.review) list.push({ key: "review", name: "review", kind: "c-word", value: (row) => reviewOf(row), show: (row) => reviewWords(reviewOf(row)) });
  data.covariates.forEach((name, k) => list.push({
    key: `covariate ${k}`, name, kind: "c-word", value: (row) => numberOr(row.covariates[k]), show: (row) => row.covariates[k] ?? "n/a",
  }));
  list.push({ key: "problem", name: "noticed", kind: "c-word", value: (row) => noticed(row), show: (row) => noticed(row) });
  return list;
}
function noticed(row) {
  const notes = row.warnings ? `${row.warnings} ${row.warnings === 1 ? "note" : "notes"}` : "";
  return row.problem ? row.problem.text : notes;
}
function reviewWords(word) { return word === "n/a" ? "not reviewed" : words(word); }
function reviewOf(row) { return state.review?.[row.stem]?.review ?? "n/a"; }
function numberOr(text) {
  const number = Number(text);
  return text !== undefined && text.trim() !== "" && Number.isFinite(number) ? number : text;
}

// ---- order and filter -----------------------------------------------------------------------------------------
function compare(a, b) {
  // What has no value comes last in either direction.
  const none = (v) => v === null || v === undefined || v === "" || v === "n/a";
  if (none(a) || none(b)) return none(a) - none(b);
  if (typeof a === "number" && typeof b === "number") return (state.down ? b - a : a - b);
  const order = String(a).localeCompare(String(b), undefined, { numeric: true });
  return state.down ? -order : order;
}
function passes(row) {
  const f = state.filters;
  const within = (value, from, to) => (from === undefined || value >= from) && (to === undefined || (value !== null && value <= to));
  if (f.text && !`${row.stem} ${row.problem?.text ?? ""} ${row.covariates.join(" ")}`.toLowerCase().includes(f.text)) return false;
  if (f.verdict && row.verdict !== f.verdict) return false;
  if (f.review && reviewOf(row) !== f.review) return false;
  if (!within(row.mean_fd_mm, f.fdFrom, f.fdTo) || !within(row.minutes_kept, f.minutesFrom, f.minutesTo)) return false;
  return data.covariates.every((_, k) => {
    const cell = row.covariates[k];
    if (f[`is ${k}`] && cell !== f[`is ${k}`]) return false;
    const [from, to] = [f[`from ${k}`], f[`to ${k}`]];
    if (from === undefined && to === undefined) return true;
    const number = numberOr(cell);
    return typeof number === "number" && within(number, from, to);
  });
}
// Sorting and filters are found again on coming back.
const KEPT = `keepstill-view ${location.pathname} ${data.study}`;
function keepView() {
  try { sessionStorage.setItem(KEPT, JSON.stringify({ sort: state.sort, down: state.down, filters: state.filters })); } catch { /* private window */ }
}
function findView() {
  try {
    const view = JSON.parse(sessionStorage.getItem(KEPT) ?? "null");
    if (view && columns().some((column) => column.key === view.sort)) Object.assign(state, view);
  } catch { /* private window */ }
}
function arrange() {
  performance.mark("arrange");
  keepView();
  const column = columns().find((c) => c.key === state.sort);
  const keyed = data.rows.filter(passes).map((row) => [column.value(row), row]);
  keyed.sort((a, b) => compare(a[0], b[0]) || (a[1].stem < b[1].stem ? -1 : 1));
  state.shown = keyed.map((pair) => pair[1]);
  const count = document.getElementById("count");
  count.textContent = state.shown.length === data.rows.length
    ? `${data.rows.length} rows.` : `${state.shown.length} of ${data.rows.length} rows.`;
  drawHead();
  drawRows();
  markDots();
  performance.measure("arranged", "arrange");
}

// ---- the table ------------------------------------------------------------------------------------------------
const head = el("tr", { "aria-rowindex": 1 });
const body = el("tbody");
const grid = el("table", {}, el("caption", { class: "skip" }, "Children, with their motion and what is kept"), el("thead", {}, head), body);
table.append(grid);

function drawHead() {
  head.replaceChildren(...columns().map((column) => {
    const on = column.key === state.sort;
    const button = el("button", { type: "button", onclick: () => {
      state.down = on ? !state.down : column.key !== "stem";
      state.sort = column.key;
      table.scrollTop = 0;
      arrange();
      head.querySelector(`[data-key="${CSS.escape(column.key)}"] button`)?.focus();
    } }, column.name, on ? (state.down ? " ↓" : " ↑") : "");
    return el("th", { scope: "col", class: column.kind, "data-key": column.key, "aria-sort": on ? (state.down ? "descending" : "ascending") : null }, button);
  }));
}

function drawRows(all) {
  const rows = state.shown;
  // The table is at most as high as the window; before it has rows it has no height of its own.
  const visible = Math.ceil(innerHeight / ROW) + 16;
  const first = all ? 0 : Math.max(0, Math.min(rows.length - visible, Math.floor(table.scrollTop / ROW) - 8));
  const last = all ? rows.length : Math.min(rows.length, first + visible);
  const list = columns();
  const focused = body.contains(document.activeElement) ? document.activeElement.closest("tr")?.dataset.stem : null;
  const space = (count) => {
    const cell = el("td", { colspan: list.length });
    cell.style.height = `${count * ROW}px`;
    return el("tr", { class: "space", "aria-hidden": "true" }, cell);
  };
  const made = [];
  if (first > 0) made.push(space(first));
  for (let at = first; at < last; at++) made.push(rowOf(rows[at], at, list));
  if (last < rows.length) made.push(space(rows.length - last));
  body.replaceChildren(...made);
  grid.setAttribute("aria-rowcount", rows.length + 1);
  for (const canvas of body.querySelectorAll("canvas")) drawStrip(canvas, rows[canvas.dataset.at]);
  if (focused && state.shown.some((row) => row.stem === focused)) {
    // Out of view the row is gone from the page; the place is kept for the arrows.
    if (body.querySelector(`tr[data-stem="${CSS.escape(focused)}"]`)) focusRow(focused);
    else {
      state.here = focused;
      table.focus({ preventScroll: true });
    }
  }
}

function rowOf(row, at, list) {
  const made = el("tr", { "aria-rowindex": at + 2, "data-stem": row.stem, class: row.stem === state.here ? "here" : null });
  for (const column of list) {
    if (column.key === "stem") {
      const where = hrefOf(row);
      made.append(el("th", { scope: "row", title: row.stem }, where ? el("a", { href: where, onclick: leave }, row.stem) : el("span", { tabindex: -1 }, row.stem)));
    } else if (column.key === "strip") {
      made.append(el("td", {}, row.strip.length ? el("canvas", { role: "img", "aria-label": stripWords(row), "data-at": at }) : "no run"));
    } else {
      const text = column.show(row);
      made.append(el("td", { class: column.kind.includes("n") ? "n" : null, title: text.length > 14 ? text : null }, text));
    }
  }
  return made;
}

function hrefOf(row) {
  if (!row.page) return null;
  return token === undefined ? row.page.split("/").map(encodeURIComponent).join("/") : `/child/${encodeURIComponent(row.stem)}${location.search}`;
}
// The order that the child pages' "next" goes by.
function leave() {
  try { sessionStorage.setItem("keepstill-order", JSON.stringify(state.shown.filter((r) => r.page).map((r) => r.stem))); } catch { /* private window */ }
}

function stripWords(row) {
  const share = row.minutes > 0 ? Math.round(100 * row.minutes_kept / row.minutes) : 0;
  return `${digits(row.minutes_kept, 1)} of ${digits(row.minutes, 1)} minutes kept, ${share} percent; mean FD ${digits(row.mean_fd_mm, 3)} millimetres`;
}

function drawStrip(canvas, row) {
  const { context, width, height } = fit(canvas, 40);
  const line = 22;
  const gap = 4;
  const all = row.strip.reduce((sum, run) => sum + run.frames, 0);
  const room = width - gap * (row.strip.length - 1);
  let left = 0;
  for (const run of row.strip) {
    const wide = room * run.frames / all;
    const fd = bytes(run.fd);
    const x = (at) => left + wide * at / fd.length;
    context.fillStyle = colour("--strip");
    context.fillRect(left, line + 2, wide, height - line - 2);
    for (const [reason, from, to] of stretches(run.why)) {
      if (reason === 0) continue;
      context.fillStyle = reasonFill(context, reason, 1);
      context.fillRect(x(from), line + 2, Math.max(1, x(to) - x(from)), height - line - 2);
    }
    context.beginPath();
    context.moveTo(left, line);
    fd.forEach((level, at) => {
      const y = line - level / 255 * (line - 1);
      context.lineTo(x(at), y);
      context.lineTo(x(at + 1), y);
    });
    context.lineTo(left + wide, line);
    context.fillStyle = colour("--sky");
    context.fill();
    if (data.fd_limit_mm > 0) {
      context.strokeStyle = colour("--ink");
      context.setLineDash([4, 3]);
      context.lineWidth = 0.75;
      context.beginPath();
      context.moveTo(left, line - (line - 1) / TOP_LIMITS);
      context.lineTo(left + wide, line - (line - 1) / TOP_LIMITS);
      context.stroke();
      context.setLineDash([]);
    }
    left += wide + gap;
  }
}

function focusRow(stem) {
  body.querySelector(`tr[data-stem="${CSS.escape(stem)}"] :is(a, span)`)?.focus({ preventScroll: true });
}
function goTo(stem, focus) {
  const at = state.shown.findIndex((row) => row.stem === stem);
  if (at < 0) return;
  state.here = stem;
  const top = at * ROW;
  const room = table.clientHeight - 2 * ROW;
  if (top < table.scrollTop || top > table.scrollTop + room) table.scrollTop = Math.max(0, top - room / 2);
  drawRows();
  markDots();
  if (focus) focusRow(stem);
}
let scrolling = 0;
table.addEventListener("scroll", () => {
  cancelAnimationFrame(scrolling);
  scrolling = requestAnimationFrame(() => drawRows());
});
table.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step || event.target.closest("thead")) return;
  event.preventDefault();
  event.stopPropagation();
  const from = event.target.closest("tr")?.dataset.stem ?? state.here;
  const at = state.shown.findIndex((row) => row.stem === from);
  const next = state.shown[Math.max(0, Math.min(state.shown.length - 1, at + step))];
  if (next) goTo(next.stem, true);
});

// ---- filters --------------------------------------------------------------------------------------------------
const form = document.getElementById("filters");
form.addEventListener("submit", (event) => event.preventDefault());
function field(label, input) { return el("label", {}, label, input); }
function setFilter(name, value) {
  if (value === "" || value === undefined || Number.isNaN(value)) delete state.filters[name];
  else state.filters[name] = value;
  table.scrollTop = 0;
  arrange();
}
function choice(label, name, values, current) {
  const select = el("select", { onchange: () => setFilter(name, select.value) }, el("option", { value: "" }, "all"),
    values.map((v) => el("option", { value: v, selected: v === current }, name === "review" ? reviewWords(v) : words(v))));
  return field(label, select);
}
function range(label, from, to, step) {
  const make = (name, what) => {
    const input = el("input", { type: "number", step, size: 6, "data-filter": name, "aria-label": `${label}, ${what}`, value: state.filters[name] ?? null,
      oninput: () => setFilter(name, input.value === "" ? undefined : Number(input.value)) });
    input.style.width = "6.5rem";
    return input;
  };
  const pair = el("span", {}, make(from, "least"), " to ", make(to, "most"));
  return el("div", { role: "group", "aria-label": label }, el("span", { class: "label" }, `${label} `), pair);
}
function drawFilters() {
  const text = el("input", { type: "search", id: "text", value: state.filters.text ?? null, oninput: () => setFilter("text", text.value.trim().toLowerCase()) });
  const parts = [field("label or text", text)];
  parts.push(choice("verdict", "verdict", [...new Set(data.rows.map((row) => row.verdict))].sort(), state.filters.verdict));
  if (token !== undefined) parts.push(choice("review", "review", ["include", "exclude", "unsure", "disagreement", "out_of_date", "withheld", "n/a"], state.filters.review));
  data.covariates.forEach((name, k) => {
    const levels = [...new Set(data.rows.map((row) => row.covariates[k]))].sort((a, b) => a.localeCompare(b, undefined, { numeric: true }));
    const numeric = levels.every((level) => level === "n/a" || typeof numberOr(level) === "number");
    if (numeric && levels.length > MOST_LEVELS) parts.push(range(name, `from ${k}`, `to ${k}`, "any"));
    else if (levels.length <= MOST_LEVELS) parts.push(choice(name, `is ${k}`, levels, state.filters[`is ${k}`]));
  });
  parts.push(range("mean FD, mm", "fdFrom", "fdTo", "any"), range("minutes kept", "minutesFrom", "minutesTo", "any"));
  parts.push(el("button", { type: "button", onclick: () => { state.filters = {}; drawFilters(); arrange(); document.getElementById("text").focus(); } }, "show all"));
  parts.push(keySwitch());
  form.replaceChildren(...parts);
}

// ---- the pictures ---------------------------------------------------------------------------------------------
const WIDE = 460;
const HIGH = 280;
const PLOT = { left: 58, right: 12, top: 10, bottom: 40 };
const dots = new Map();
function scale(from, to, low, high) { return (v) => low + (v - from) / (to - from || 1) * (high - low); }
function ticks(to) {
  const rough = to / 5;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
  return Array.from({ length: Math.floor(to / step + 1e-9) + 1 }, (_, k) => Number((k * step).toPrecision(6)));
}
function frame(picture, x, y, across, up, xTop, yTop) {
  const base = HIGH - PLOT.bottom;
  for (const v of ticks(xTop)) picture.append(svg("text", { x: x(v), y: base + 16, "text-anchor": "middle" }, String(v)));
  for (const v of ticks(yTop)) {
    picture.append(svg("path", { class: "grid", d: `M${PLOT.left} ${y(v)}H${WIDE - PLOT.right}` }));
    picture.append(svg("text", { x: PLOT.left - 6, y: y(v) + 4, "text-anchor": "end" }, String(v)));
  }
  picture.append(svg("path", { class: "axis", d: `M${PLOT.left} ${PLOT.top}V${base}H${WIDE - PLOT.right}` }));
  picture.append(svg("text", { x: WIDE - PLOT.right, y: HIGH - 6, "text-anchor": "end" }, across), svg("text", { x: 4, y: PLOT.top + 2, "dominant-baseline": "hanging", transform: `rotate(-90 4 ${PLOT.top})`, "text-anchor": "end" }, up));
}
function drawScatter() {
  const rows = data.rows.filter((row) => row.mean_fd_mm !== null);
  const xTop = Math.max(0.1, ...rows.map((row) => row.mean_fd_mm)) * 1.04;
  const yTop = Math.max(1, data.minutes_asked, ...rows.map((row) => row.minutes_kept)) * 1.06;
  const x = scale(0, xTop, PLOT.left, WIDE - PLOT.right);
  const y = scale(0, yTop, HIGH - PLOT.bottom, PLOT.top);
  const long = rows.filter((row) => row.minutes_kept >= data.minutes_asked * SLACK).length;
  const unknown = data.rows.length - rows.length;
  const picture = svg("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label":
    `Minutes kept against mean framewise displacement of ${rows.length} rows: ${long} keep at least ${data.minutes_asked} minutes${unknown ? `; ${unknown} without displacement are not drawn` : ""}. The same numbers are in the table.` });
  frame(picture, x, y, "mean FD, mm", "minutes kept", xTop, yTop);
  picture.append(svg("path", { class: "limit", d: `M${PLOT.left} ${y(data.minutes_asked)}H${WIDE - PLOT.right}` }));
  for (const row of rows) {
    const dot = svg("circle", { class: row.verdict === "enough" ? "dot" : "dot open", cx: x(row.mean_fd_mm), cy: y(row.minutes_kept), r: rows.length > 300 ? 2.5 : 4 });
    dot.append(svg("title", {}, `${row.stem}: ${digits(row.minutes_kept, 1)} min, ${digits(row.mean_fd_mm, 3)} mm`));
    dot.addEventListener("click", () => goTo(row.stem, true));
    dots.set(row.stem, dot);
    picture.append(dot);
  }
  // A box drawn with the pointer becomes the filter's ranges.
  let start = null;
  const box = svg("rect", { class: "box", width: 0, height: 0 });
  picture.append(box);
  const place = (event) => {
    const area = picture.getBoundingClientRect();
    return [(event.clientX - area.left) * WIDE / area.width, (event.clientY - area.top) * HIGH / area.height];
  };
  let finger = null;
  const drop = () => {
    start = finger = null;
    box.setAttribute("width", 0);
  };
  picture.addEventListener("pointerdown", (event) => {
    start = place(event);
    finger = event.pointerId;
  });
  // Scrolling with a finger draws no box.
  addEventListener("pointercancel", drop);
  picture.addEventListener("pointermove", (event) => {
    if (!start) return;
    const now = place(event);
    for (const [name, value] of [["x", Math.min(start[0], now[0])], ["y", Math.min(start[1], now[1])],
      ["width", Math.abs(now[0] - start[0])], ["height", Math.abs(now[1] - start[1])]]) box.setAttribute(name, value);
  });
  addEventListener("pointerup", (event) => {
    if (!start || event.pointerId !== finger) return;
    const [from, to] = [start, place(event)];
    drop();
    if (Math.abs(from[0] - to[0]) < 6 || Math.abs(from[1] - to[1]) < 6) return;
    const back = (v, low, high, top) => Math.max(0, Number(((v - low) / (high - low) * top).toPrecision(3)));
    const fd = [from[0], to[0]].sort((a, b) => a - b).map((v) => back(v, PLOT.left, WIDE - PLOT.right, xTop));
    const minutes = [from[1], to[1]].sort((a, b) => b - a).map((v) => back(v, HIGH - PLOT.bottom, PLOT.top, yTop));
    Object.assign(state.filters, { fdFrom: fd[0], fdTo: fd[1], minutesFrom: minutes[0], minutesTo: minutes[1] });
    drawFilters();
    arrange();
  });
  document.getElementById("scatter").replaceChildren(picture);
}
function markDots() {
  const shown = new Set(state.shown.map((row) => row.stem));
  for (const [stem, dot] of dots) {
    dot.classList.toggle("dim", !shown.has(stem));
    dot.classList.toggle("here", stem === state.here);
  }
}
function drawLimits() {
  const points = data.limits_mm.map((limit, k) => [limit, data.rows.filter((row) => row.minutes_at_limits.length > k && row.minutes_at_limits[k] >= data.minutes_asked * SLACK).length]);
  const drawn = points.filter((point) => point[0] !== null);
  const xTop = Math.max(...drawn.map((point) => point[0])) * 1.04;
  const yTop = Math.max(1, data.rows.length);
  const x = scale(0, xTop, PLOT.left, WIDE - PLOT.right);
  const y = scale(0, yTop, HIGH - PLOT.bottom, PLOT.top);
  const own = drawn.find((point) => point[0] === data.fd_limit_mm);
  const picture = svg("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label":
    `Children who keep at least ${data.minutes_asked} minutes by limit of displacement${own ? `; ${own[1]} of ${data.rows.length} with this study's ${own[0]} mm` : ""}. The numbers are below.` });
  frame(picture, x, y, "limit of FD, mm", "children", xTop, yTop);
  picture.append(svg("path", { class: "curve", d: drawn.map(([limit, count], k) => `${k ? "L" : "M"}${x(limit)} ${y(count)}`).join("") }));
  for (const [limit, count] of drawn) {
    const dot = svg("circle", { cx: x(limit), cy: y(count), r: 3.5, class: "dot" });
    dot.append(svg("title", {}, `${limit} mm: ${count} children`));
    picture.append(dot);
  }
  if (own) picture.append(svg("path", { class: "limit", d: `M${x(own[0])} ${PLOT.top}V${HIGH - PLOT.bottom}` }));
  const rows = points.map(([limit, count]) => el("tr", {}, el("th", { scope: "row" }, limit === null ? "none" : String(limit)), el("td", { class: "n" }, String(count))));
  const numbers = el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "limit, mm"), el("th", { scope: "col" }, "children"))), el("tbody", {}, rows));
  document.getElementById("limits").replaceChildren(picture, el("details", {}, el("summary", {}, "In numbers"), numbers));
}
function drawLegend() {
  const present = new Set(data.rows.flatMap((row) => row.strip.flatMap((run) => [...run.why])).map(Number));
  const items = WORDS.map((word, k) => [word, k]).filter(([, k]) => k === 0 || present.has(k));
  document.getElementById("legend").replaceChildren(...items.map(([word, k]) => el("li", {}, el("span", { class: `swatch r${k}` }), word)));
}

// From anywhere outside a field, the arrows go into the table.
for (const arrow of ["ArrowDown", "ArrowUp"]) keys.actions.set(arrow, () => {
  const row = state.shown.find((r) => r.stem === state.here) ?? state.shown[0];
  if (row) goTo(row.stem, true);
});
form.addEventListener("keydown", (event) => { if (event.key === "Escape" && event.target.closest("input, select")) event.target.blur(); });
keys.actions.set("/", () => document.getElementById("text").focus());
findView();
drawFilters();
drawScatter();
drawLimits();
drawLegend();
arrange();
redrawWith(() => drawRows(), () => drawRows(true));
performance.mark("drawn");
