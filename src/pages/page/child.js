// A child's page: ribbons, matrix, slices and coverage, drawn from the page's data.
const show = { cleaned: true, dvars: false, global: false, atlas: 0 };
const ribbons = [];

// ---- shades: the ramp of the style sheet, orange above, blue below ------------------------------------------------
const RAMP = [];
for (let at = 0; colour(`--ramp-${at}`); at++) RAMP.push([1, 3, 5].map((from) => parseInt(colour(`--ramp-${at}`).slice(from, from + 2), 16)));
const SHADES = new Uint8ClampedArray(256 * 4);
for (let k = 1; k < 256; k++) {
  const at = (k - 1) / 254 * (RAMP.length - 1);
  const low = Math.min(RAMP.length - 2, Math.floor(at));
  for (let c = 0; c < 3; c++) SHADES[4 * k + c] = RAMP[low][c] + (at - low) * (RAMP[low + 1][c] - RAMP[low][c]);
  SHADES[4 * k + 3] = 255;
}
// The ramp from end to end with numbers below it.
function rampScale(numbers, more) {
  return el("div", { class: "scale", "aria-hidden": "true" }, el("span", { class: "ramp" }),
    el("span", { class: "numbers" }, numbers.map((number) => el("span", {}, number))), el("span", {}, more));
}

// ---- ribbons --------------------------------------------------------------------------------------------------
const LANE = { still: 18, fd: 84, log: 16, line: 46, axis: 18, gap: 4 };

function makeRibbon(place, run) {
  const frames = run.fd_mm.length;
  const picture = el("canvas", { role: "img", "aria-label": ribbonWords(run) });
  const cursor = el("canvas", { class: "cursor", "aria-hidden": "true" });
  const stage = el("div", { class: "stage" }, picture, cursor);
  const slider = el("input", { type: "range", min: 0, max: frames - 1, value: 0, step: 1, "aria-label": `Frame of ${run.name}` });
  // The slider speaks for itself; this is for the eye.
  const read = el("p", { class: "read" }, "Point at the ribbon, or move the slider, to read out one frame.");
  place.append(stage, slider, read);
  if (run.series.length) place.append(rampScale(["−4", "−2", "0", "2", "4"], "parcels, in standard deviations of their own kept frames"));
  const made = { run, frames, picture, cursor, slider, read, at: null, packed: run.series.map((s) => ({ raw: bytes(s.raw), cleaned: s.cleaned === null ? null : bytes(s.cleaned) })) };
  const go = (frame) => {
    made.at = Math.max(0, Math.min(frames - 1, frame));
    slider.value = made.at;
    const words = frameWords(run, made.at);
    read.textContent = words;
    slider.setAttribute("aria-valuetext", words);
    drawCursor(made);
  };
  slider.addEventListener("input", () => go(Number(slider.value)));
  stage.addEventListener("pointermove", (event) => {
    const area = stage.getBoundingClientRect();
    go(Math.floor((event.clientX - area.left) / area.width * frames));
  });
  ribbons.push(made);
  slider.setAttribute("aria-valuetext", frameWords(run, 0));
}

function ribbonWords(run) {
  const counts = Array(8).fill(0);
  for (const letter of run.why) counts[Number(letter)] += 1;
  const dropped = counts.map((n, k) => [n, WORDS[k]]).slice(1).filter(([n]) => n > 0).map(([n, word]) => `${word} ${n}`);
  const still = stretches(run.why).filter(([reason]) => reason === 0).map(([, from, to]) => `${clock(from * run.row.tr_s)} for ${Math.round((to - from) * run.row.tr_s)} s`);
  const named = still.slice(0, 12).join(", ") + (still.length > 12 ? ", and more" : "");
  const logged = run.log.map((i) => `${i.what} from ${clock(i.onset_s)} for ${Math.round(i.duration_s)} s`);
  return `${run.name}: ${counts[0]} of ${run.why.length} frames kept${dropped.length ? `; dropped: ${dropped.join(", ")}` : ""}${still.length ? `; still from ${named}` : ""}${logged.length ? `; watch log: ${logged.join(", ")}` : ""}.`;
}

function frameWords(run, frame) {
  const seconds = frame * run.row.tr_s;
  // A mark of no length belongs to the frame that it falls in.
  const during = (i) => i.onset_s < seconds + run.row.tr_s && (i.onset_s + i.duration_s > seconds || (i.duration_s === 0 && i.onset_s >= seconds));
  const logged = run.log.filter(during).map((i) => i.what);
  const parts = [`frame ${frame}`, `${seconds.toFixed(1)} s`, `FD ${digits(run.fd_mm[frame], 3)} mm`, `DVARS ${digits(run.dvars_percent[frame], 2)} %`,
    `mean signal ${digits(run.global_percent[frame], 2)} %`, run.why[frame] === "0" ? "kept" : `dropped: ${WORDS[Number(run.why[frame])]}`];
  if (logged.length) parts.push(`watch log: ${logged.join(", ")}`);
  return parts.join(" · ");
}

function drawRibbon(ribbon) {
  const { run, frames } = ribbon;
  const series = run.series[show.atlas];
  const rows = series ? series.rows.length : 0;
  const carpet = rows ? Math.max(90, Math.min(320, rows * 3)) : 0;
  const log = run.log.length ? LANE.log : 0;
  const lines = [show.dvars && ["DVARS, %", run.dvars_percent], show.global && ["mean signal, %", run.global_percent]].filter(Boolean);
  const height = LANE.still + LANE.fd + LANE.gap + log + lines.length * (LANE.line + LANE.gap) + carpet + LANE.axis;
  const { context: pen, width } = fit(ribbon.picture, height);
  const x = (frame) => frame / frames * width;
  const ink = colour("--ink");
  const quiet = colour("--quiet");
  pen.font = "12px system-ui, sans-serif";
  const top = LANE.still;
  const base = height - LANE.axis;
  pen.fillStyle = colour("--strip");
  pen.fillRect(0, top, width, LANE.fd);
  // Dropped frames, through all that follows.
  const shade = (from, to, strength) => {
    for (const [reason, begin, end] of stretches(run.why)) {
      if (reason === 0) continue;
      pen.fillStyle = reasonFill(pen, reason, strength);
      pen.fillRect(x(begin), from, Math.max(1, x(end) - x(begin)), to - from);
    }
  };
  shade(top, top + LANE.fd, 0.7);
  // Kept stretches.
  for (const [reason, begin, end] of stretches(run.why)) {
    if (reason !== 0) continue;
    pen.fillStyle = colour("--sky");
    pen.fillRect(x(begin), top - 5, Math.max(1, x(end) - x(begin)), 4);
    const label = clock((end - begin) * run.row.tr_s);
    if (x(end) - x(begin) > pen.measureText(label).width + 6) {
      pen.fillStyle = ink;
      pen.fillText(label, x(begin) + 2, top - 7);
    }
  }
  // The skyline.
  const largest = Math.max(0.1, ...run.fd_mm.map((v) => v ?? 0));
  const limit = data.fd_limit_mm;
  const most = limit > 0 ? TOP_LIMITS * limit : largest;
  const y = (mm) => top + LANE.fd - Math.min(1, mm / most) * (LANE.fd - 3);
  pen.beginPath();
  pen.moveTo(0, top + LANE.fd);
  run.fd_mm.forEach((mm, frame) => {
    pen.lineTo(x(frame), y(mm ?? 0));
    pen.lineTo(x(frame + 1), y(mm ?? 0));
  });
  pen.lineTo(width, top + LANE.fd);
  pen.closePath();
  pen.fillStyle = "#1f4a66";
  pen.fill();
  pen.strokeStyle = "#fff";
  pen.lineWidth = 0.5;
  pen.stroke();
  if (limit > 0) {
    pen.setLineDash([6, 4]);
    pen.strokeStyle = "#000";
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(0, y(limit));
    pen.lineTo(width, y(limit));
    pen.stroke();
    pen.setLineDash([]);
  }
  label(pen, `FD to ${digits(most, 2)} mm${limit > 0 ? `, limit ${limit} mm` : ""}`, 3, top + 12);
  let at = top + LANE.fd + LANE.gap;
  // What the watch log says.
  if (log) {
    drawLog(pen, run, x, at, width);
    at += log;
  }
  for (const [name, values] of lines) {
    drawLine(pen, values, x, at, LANE.line, width, name, shade);
    at += LANE.line + LANE.gap;
  }
  if (rows) {
    const packed = ribbon.packed[show.atlas];
    const which = show.cleaned && packed.cleaned ? packed.cleaned : packed.raw;
    pen.imageSmoothingEnabled = false;
    pen.fillStyle = colour("--strip");
    pen.fillRect(0, at, width, carpet);
    // The last column may stand for fewer frames.
    const wide = series.columns * series.frames_per_column / frames * width;
    pen.save();
    pen.beginPath();
    pen.rect(0, at, width, carpet);
    pen.clip();
    pen.drawImage(bitmap(which, series.columns, rows), 0, at, wide, carpet);
    pen.restore();
    shade(at, at + carpet, 0.6);
    drawNetworks(pen, series, at, carpet, width);
    at += carpet;
  }
  // Minutes.
  const length = frames * run.row.tr_s;
  const step = [10, 30, 60, 120, 300, 600].find((s) => length / s <= width / 60) ?? 1200;
  pen.fillStyle = quiet;
  for (let s = 0; s <= length; s += step) {
    const place = s / length * width;
    pen.fillRect(place, base, 1, 4);
    if (place + 36 < width) pen.fillText(clock(s), place + 2, base + 14);
  }
  fit(ribbon.cursor, height);
  drawCursor(ribbon);
}

// Intervals of the watch log. A name stands in its interval or beside it, where nothing else is; the cursor tells all.
function drawLog(pen, run, x, at, width) {
  const spans = run.log.map((i) => ({ what: i.what, begin: Math.max(0, x(i.onset_s / run.row.tr_s)), end: Math.min(width, x((i.onset_s + i.duration_s) / run.row.tr_s)) }))
    .sort((a, b) => a.begin - b.begin);
  pen.fillStyle = colour("--r5");
  for (const { begin, end } of spans) pen.fillRect(begin, at, Math.max(2, end - begin), LANE.log - 3);
  let taken = 0;
  spans.forEach(({ what, begin, end }, k) => {
    const wide = pen.measureText(what).width + 6;
    const next = spans[k + 1]?.begin ?? width;
    const before = taken;
    taken = Math.max(taken, end);
    pen.fillStyle = "#fff";
    if (begin >= before && Math.min(end, next) - begin >= wide) return pen.fillText(what, begin + 3, at + 10);
    pen.fillStyle = colour("--ink");
    if (end >= before && next - end >= wide) {
      pen.fillText(what, end + 3, at + 10);
      taken = end + wide;
    } else if (begin - before >= wide) pen.fillText(what, begin + 3 - wide, at + 10);
  });
}

// Words on a ground that they can be read on, whatever lies below.
function label(pen, text, x, y) {
  const wide = pen.measureText(text).width;
  pen.fillStyle = "rgba(255, 255, 255, 0.8)";
  pen.fillRect(x - 2, y - 11, wide + 4, 15);
  pen.fillStyle = "#10161c";
  pen.fillText(text, x, y);
}

function drawLine(pen, values, x, at, height, width, name, shade) {
  const known = values.filter((v) => v !== null).sort((a, b) => a - b);
  if (!known.length) return;
  // Cut off at the 1st and 99th centile, widened by half: a jump must not flatten the rest.
  const [low, high] = [known[Math.floor(0.01 * known.length)], known[Math.ceil(0.99 * (known.length - 1))]];
  const pad = 0.5 * (high - low) || 1;
  const y = (v) => at + height - 2 - (Math.max(low - pad, Math.min(high + pad, v)) - low + pad) / (high - low + 2 * pad) * (height - 4);
  pen.fillStyle = colour("--strip");
  pen.fillRect(0, at, width, height);
  shade(at, at + height, 0.45);
  pen.beginPath();
  let open = false;
  values.forEach((v, frame) => {
    if (v === null) { open = false; return; }
    if (open) pen.lineTo(x(frame + 0.5), y(v)); else pen.moveTo(x(frame + 0.5), y(v));
    open = true;
  });
  pen.strokeStyle = "#10161c";
  pen.lineWidth = 1.25;
  pen.stroke();
  label(pen, `${name}: ${digits(known[0], 2)} to ${digits(known[known.length - 1], 2)}`, 3, at + 12);
}

// Names of networks at the left edge, with a line where they change.
function drawNetworks(pen, series, at, height, width) {
  const parcels = data.atlases[show.atlas].parcels;
  const names = series.rows.map((p) => parcels[p].network ?? "");
  if (!names.some((name) => name !== "")) return;
  for (let from = 0, k = 1; k <= names.length; k++) {
    if (k < names.length && names[k] === names[from]) continue;
    const [top, bottom] = [from, k].map((row) => at + row / names.length * height);
    if (k < names.length) { pen.fillStyle = "#10161c"; pen.fillRect(0, bottom - 0.5, width, 1); }
    if (bottom - top > 14 && names[from]) label(pen, names[from], 3, top + 12);
    from = k;
  }
}

function bitmap(shades, columns, rows) {
  const made = document.createElement("canvas");
  made.width = columns;
  made.height = rows;
  const pen = made.getContext("2d");
  const pixels = pen.createImageData(columns, rows);
  for (let k = 0; k < shades.length; k++) {
    const from = 4 * shades[k];
    for (let c = 0; c < 4; c++) pixels.data[4 * k + c] = SHADES[from + c];
  }
  pen.putImageData(pixels, 0, 0);
  return made;
}

function drawCursor(ribbon) {
  const pen = ribbon.cursor.getContext("2d");
  const scale = window.devicePixelRatio || 1;
  pen.clearRect(0, 0, ribbon.cursor.width, ribbon.cursor.height);
  if (ribbon.at === null) return;
  const wide = ribbon.cursor.width / scale / ribbon.frames;
  pen.fillStyle = colour("--mark");
  pen.fillRect((ribbon.at + 0.5) * wide - 1, 0, 2, ribbon.cursor.height / scale);
}

// ---- controls -------------------------------------------------------------------------------------------------
function toggle(name, key, words, after) {
  const button = el("button", { type: "button", "aria-pressed": String(show[name]), "aria-keyshortcuts": key });
  const say = () => {
    button.textContent = words(show[name]);
    button.setAttribute("aria-pressed", String(show[name]));
  };
  const act = () => { show[name] = !show[name]; say(); after(); };
  button.addEventListener("click", act);
  keys.actions.set(key, act);
  say();
  return button;
}
function drawRibbons() { ribbons.forEach(drawRibbon); }
function drawControls() {
  const parts = [
    toggle("cleaned", "r", () => "cleaned parcels (r)", drawRibbons),
    toggle("dvars", "d", () => "DVARS (d)", drawRibbons),
    toggle("global", "g", () => "mean signal (g)", drawRibbons),
  ];
  if (data.atlases.length > 1) {
    const select = el("select", { onchange: () => { show.atlas = Number(select.value); drawRibbons(); drawSlices(); drawCoverage(); } },
      data.atlases.map((atlas, k) => el("option", { value: k }, atlas.name)));
    parts.push(el("label", {}, "atlas", select));
  }
  parts.push(keySwitch());
  if (ribbons.length) document.getElementById("controls").replaceChildren(...parts);
}

// ---- the matrix -----------------------------------------------------------------------------------------------
function drawMatrix() {
  const place = document.getElementById("matrix");
  if (!data.matrices.length) {
    place.append(el("p", {}, data.left_out.length ? "No matrix is drawn here; the reason is given above, under Noticed." : "There is no matrix, because no run gives parcel series."));
    return;
  }
  const canvas = el("canvas", { "aria-hidden": "true" });
  const read = el("output", { class: "read", "aria-live": "polite" }, "Point at the matrix, or use the arrow keys when it has the focus.");
  const names = el("div", { class: "matrix-names", "aria-hidden": "true" });
  let scaleBar = rampScale([], "");
  const wrap = el("div", { class: "matrix-wrap", tabindex: 0, role: "application", "aria-label": "Connectivity matrix; the arrow keys go from parcel to parcel" }, names, canvas);
  const means = el("div", { class: "wide", tabindex: 0, role: "region", "aria-label": "Mean connectivity by network" });
  const select = el("select", { onchange: () => pick(Number(select.value)) }, data.matrices.map((m, k) =>
    el("option", { value: k }, `${data.atlases[m.atlas].name}, ${m.measure}${m.unit && ` (${m.unit})`}`)));
  place.append(el("div", { class: "controls" }, el("label", {}, "matrix", select)), wrap, scaleBar, read,
    el("details", {}, el("summary", {}, "Means by network, in numbers"), means));
  let now = null;
  const spot = { row: 0, column: 1 };
  const value = (i, j) => {
    if (i === j) return null;
    const [a, b] = i < j ? [i, j] : [j, i];
    const steps = now.values[a * now.n - a * (a + 1) / 2 + b - a - 1];
    return steps === now.none ? null : steps / now.steps;
  };
  const say = () => {
    const [i, j] = [now.order[spot.row], now.order[spot.column]];
    const name = (p) => now.parcels[p].name + (now.parcels[p].network ? ` (${now.parcels[p].network})` : "");
    read.textContent = i === j ? name(i) : `${name(i)} with ${name(j)}: ${digits(value(i, j), now.places)}`;
  };
  // Numbers below the ramp; those of a covariance go as far as its largest value.
  const nameScale = (matrix) => {
    const signed = (share) => `${share < 0 ? "−" : ""}${Number((Math.abs(share) * matrix.largest).toPrecision(2))}`;
    const next = rampScale([-1, -0.5, 0, 0.5, 1].map(signed), `${matrix.unit && `${matrix.unit}; `}grey: no value`);
    scaleBar.replaceWith(next);
    scaleBar = next;
  };
  function pick(k) {
    const matrix = data.matrices[k];
    const atlas = data.atlases[matrix.atlas];
    const two = matrix.bytes_per_value === 2;
    now = { n: atlas.parcels.length, values: two ? shorts(matrix.values, true) : new Int8Array(bytes(matrix.values).buffer), none: two ? -32768 : -128, steps: (two ? 10000 : 125) / matrix.largest, most: matrix.largest, places: Math.max(2, 4 - Math.ceil(Math.log10(matrix.largest))), parcels: atlas.parcels, order: atlas.order };
    canvas.width = canvas.height = now.n;
    const pen = canvas.getContext("2d");
    const pixels = pen.createImageData(now.n, now.n);
    for (let r = 0; r < now.n; r++) {
      for (let c = 0; c < now.n; c++) {
        const v = value(now.order[r], now.order[c]);
        const at = 4 * (r * now.n + c);
        const shade = v === null ? 0 : Math.max(1, Math.min(255, Math.round(128 + 127 * v / now.most)));
        for (let q = 0; q < 3; q++) pixels.data[at + q] = v === null ? 150 : SHADES[4 * shade + q];
        pixels.data[at + 3] = 255;
      }
    }
    pen.putImageData(pixels, 0, 0);
    nameScale(matrix);
    nameNetworks();
    networkMeans();
  }
  // Names of networks beside their blocks, which lines part.
  function nameNetworks() {
    const of = (row) => now.parcels[now.order[row]].network ?? "";
    const made = [];
    for (let from = 0, k = 1; k <= now.n; k++) {
      if (k < now.n && of(k) === of(from)) continue;
      const name = el("span", {}, of(from));
      name.style.top = `${100 * from / now.n}%`;
      name.style.height = `${100 * (k - from) / now.n}%`;
      made.push(name);
      if (k < now.n) {
        for (const side of ["across", "down"]) {
          const line = el("i", { class: side });
          line.style[side === "across" ? "top" : "left"] = `${100 * k / now.n}%`;
          made.push(line);
        }
      }
      from = k;
    }
    const any = now.parcels.some((p) => p.network);
    names.replaceChildren(...(any ? made : []));
  }
  function networkMeans() {
    const names = [...new Set(now.order.map((p) => now.parcels[p].network ?? "no network"))];
    const group = now.parcels.map((p) => names.indexOf(p.network ?? "no network"));
    const sums = names.map(() => names.map(() => [0, 0]));
    for (let i = 0; i < now.n; i++) {
      for (let j = i + 1; j < now.n; j++) {
        const v = value(i, j);
        if (v === null) continue;
        for (const [a, b] of group[i] === group[j] ? [[group[i], group[j]]] : [[group[i], group[j]], [group[j], group[i]]]) {
          sums[a][b][0] += v;
          sums[a][b][1] += 1;
        }
      }
    }
    const head = el("tr", {}, el("td"), names.map((name) => el("th", { scope: "col" }, name)));
    const rows = names.map((name, a) => el("tr", {}, el("th", { scope: "row" }, name), sums[a].map(([sum, count]) => el("td", { class: "n" }, count ? digits(sum / count, now.places - 1) : "n/a"))));
    means.replaceChildren(el("table", {}, el("thead", {}, head), el("tbody", {}, rows)));
  }
  canvas.addEventListener("pointermove", (event) => {
    const area = canvas.getBoundingClientRect();
    const at = (v, size) => Math.max(0, Math.min(now.n - 1, Math.floor(v / size * now.n)));
    spot.column = at(event.clientX - area.left, area.width);
    spot.row = at(event.clientY - area.top, area.height);
    say();
  });
  wrap.addEventListener("keydown", (event) => {
    const step = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
    if (!step) return;
    event.preventDefault();
    spot.row = Math.max(0, Math.min(now.n - 1, spot.row + step[0]));
    spot.column = Math.max(0, Math.min(now.n - 1, spot.column + step[1]));
    say();
  });
  pick(0);
}

// ---- slices and coverage --------------------------------------------------------------------------------------
function drawSlices() {
  const place = document.getElementById("slices");
  const figures = [];
  for (const run of data.runs) {
    for (const slice of run.slices) {
      const canvas = el("canvas", { role: "img", "aria-label": sliceWords(slice) });
      const title = data.runs.length > 1 ? `${run.name}: ${slice.name}` : slice.name;
      figures.push(el("figure", {}, canvas, el("figcaption", {}, `${title}, image plane ${slice.index}. Mean image; brain mask in yellow${slice.parcels.length ? ", parcels in violet" : ""}. ${EDGES[slice.name]}.${followed(run)}`)));
      drawSlice(canvas, slice);
    }
  }
  place.replaceChildren(...figures);
}
// Runs whose voxels inside the mask were averaged at each frame's own head position.
const followed = (run) => (run.row.motion?.from === "images" && run.row.motion.realigned ? " Inside the mask the picture follows the head; outside the mask it does not." : "");
const EDGES = { sagittal: "Front is right, top is up", coronal: "The child's right is right, top is up", axial: "The child's right is right, front is up" };
function sliceWords(slice) {
  const inside = bytes(slice.inside);
  const parcels = new Set(shorts(slice.parcels[show.atlas] ?? "", false));
  parcels.delete(0);
  const within = inside.reduce((sum, flag) => sum + flag, 0);
  return `${slice.name} slice of the mean image: ${Math.round(100 * within / inside.length)} percent of it is inside the brain mask, ${parcels.size} parcels cross it`;
}
function drawSlice(canvas, slice) {
  const { width, height, pixel_mm: [mmAcross, mmUp] } = slice;
  const zoom = Math.max(2, Math.ceil(384 / width));
  const tall = zoom * mmUp / mmAcross;
  canvas.width = width * zoom;
  canvas.height = Math.round(height * tall);
  const grey = bytes(slice.grey);
  const inside = bytes(slice.inside);
  const parcels = shorts(slice.parcels[show.atlas] ?? "", false);
  const small = document.createElement("canvas");
  small.width = width;
  small.height = height;
  const pixels = small.getContext("2d").createImageData(width, height);
  grey.forEach((shade, k) => pixels.data.set([shade, shade, shade, 255], 4 * k));
  small.getContext("2d").putImageData(pixels, 0, 0);
  const pen = canvas.getContext("2d");
  pen.imageSmoothingEnabled = false;
  pen.drawImage(small, 0, 0, canvas.width, canvas.height);
  // Outlines run between pixels whose values differ.
  const outline = (values, style, wide) => {
    pen.strokeStyle = style;
    pen.lineWidth = wide;
    pen.beginPath();
    for (let r = 0; r < height; r++) {
      for (let c = 0; c < width; c++) {
        const here = values[r * width + c];
        if (c + 1 < width && values[r * width + c + 1] !== here) { pen.moveTo((c + 1) * zoom, r * tall); pen.lineTo((c + 1) * zoom, (r + 1) * tall); }
        if (r + 1 < height && values[(r + 1) * width + c] !== here) { pen.moveTo(c * zoom, (r + 1) * tall); pen.lineTo((c + 1) * zoom, (r + 1) * tall); }
      }
    }
    pen.stroke();
  };
  if (parcels.length) outline(parcels, "rgba(206, 147, 240, 0.95)", 1.25);
  outline(inside, "#f2e14c", 2);
}
function drawCoverage() {
  const atlas = data.atlases[show.atlas];
  if (data.runs.every((run) => !run.fd_mm.length)) {
    document.getElementById("coverage").replaceChildren(el("p", {}, "No run could be read, so nothing is known about the parcels."));
    return;
  }
  const short = atlas.parcels.filter((p) => !p.used);
  const rows = atlas.order.map((k) => {
    const parcel = atlas.parcels[k];
    const fill = el("i");
    fill.style.width = `${Math.round(100 * parcel.coverage)}%`;
    return el("tr", {}, el("th", { scope: "row" }, parcel.name), el("td", {}, parcel.network ?? "n/a"), el("td", { class: "n" }, String(parcel.voxels)),
      el("td", { class: "n" }, el("span", { class: "bar", "aria-hidden": "true" }, fill), ` ${Math.round(100 * parcel.coverage)} %`), el("td", {}, parcel.used ? "yes" : "no"));
  });
  const head = el("tr", {}, ["parcel", "network", "voxels", "coverage", "used"].map((name) => el("th", { scope: "col" }, name)));
  const left = short.length ? `Not used because of poor coverage: ${short.slice(0, 30).map((p) => p.name).join(", ")}${short.length > 30 ? " and more" : ""}.` : "Every parcel has enough coverage.";
  document.getElementById("coverage").replaceChildren(el("p", {}, `${atlas.name}: ${atlas.parcels.length - short.length} of ${atlas.parcels.length} parcels are used. ${left}`),
    el("details", {}, el("summary", {}, "Coverage of each parcel"), el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Coverage of each parcel" }, el("table", {}, el("thead", {}, head), el("tbody", {}, rows)))));
}

for (const place of document.querySelectorAll(".ribbon")) makeRibbon(place, data.runs[Number(place.dataset.run)]);
drawControls();
drawRibbons();
drawMatrix();
if (data.atlases.length) { drawSlices(); drawCoverage(); }
redrawWith(drawRibbons);
performance.mark("drawn");
