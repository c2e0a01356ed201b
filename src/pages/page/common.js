// Shared by both pages. Text goes into the document as text only, never as markup.
const data = JSON.parse(document.getElementById("data").textContent);
const WORDS = ["kept", "settling", "unaligned", "moved", "signal jump", "logged", "beside motion", "short stretch"];
// Where a review serves the page: what writes must carry.
const token = document.querySelector('meta[name="keepstill-token"]')?.content;
// Limits of displacement at the top of a strip or skyline; STRIP_TOP_LIMITS in pages.rs.
const TOP_LIMITS = 5;

function el(tag, attributes, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
  }
  for (const child of children.flat()) {
    if (child !== null && child !== undefined) made.append(child);
  }
  return made;
}

function svg(tag, attributes, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
  for (const child of children.flat()) made.append(child);
  return made;
}

function bytes(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

function shorts(base64, signed) {
  const raw = bytes(base64).buffer;
  return signed ? new Int16Array(raw) : new Uint16Array(raw);
}

function digits(value, places) {
  return value === null || value === undefined || !Number.isFinite(value) ? "n/a" : value.toFixed(places);
}

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// "1:35" from seconds.
function clock(seconds) {
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

// Sizes a canvas to its place, in device pixels; gives its context with CSS pixels as units, and its size.
function fit(canvas, height) {
  const width = canvas.clientWidth || canvas.parentElement.clientWidth;
  const scale = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  canvas.style.height = `${height}px`;
  const context = canvas.getContext("2d");
  context.setTransform(scale, 0, 0, scale, 0, 0);
  return { context, width, height };
}

// A fill for frames dropped for a reason: told apart by shade, hue and pattern.
const fills = new Map();
function reasonFill(context, reason, strength) {
  const key = `${reason} ${strength}`;
  if (fills.has(key)) return fills.get(key);
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const pen = tile.getContext("2d");
  pen.globalAlpha = strength;
  pen.fillStyle = colour(`--r${reason}`);
  pen.fillRect(0, 0, 8, 8);
  pen.strokeStyle = "#fff";
  pen.fillStyle = "#fff";
  pen.globalAlpha = 0.55 * strength;
  pen.lineWidth = 1.5;
  pen.beginPath();
  if (reason === 2) { pen.moveTo(6, 0); pen.lineTo(6, 8); }
  if (reason === 4) { pen.moveTo(-2, 2); pen.lineTo(2, -2); pen.moveTo(0, 8); pen.lineTo(8, 0); pen.moveTo(6, 10); pen.lineTo(10, 6); }
  if (reason === 6) { pen.moveTo(0, 0); pen.lineTo(8, 8); pen.moveTo(-2, 6); pen.lineTo(2, 10); pen.moveTo(6, -2); pen.lineTo(10, 2); }
  if (reason === 7) { pen.moveTo(0, 4); pen.lineTo(8, 4); }
  pen.stroke();
  if (reason === 5) { pen.fillRect(1, 1, 2, 2); pen.fillRect(5, 5, 2, 2); }
  const made = context.createPattern(tile, "repeat");
  fills.set(key, made);
  return made;
}

// Stretches of equal letters: [letter, from, to).
function stretches(text) {
  const found = [];
  for (let from = 0, at = 1; at <= text.length; at++) {
    if (at === text.length || text[at] !== text[from]) {
      found.push([Number(text[from]), from, at]);
      from = at;
    }
  }
  return found;
}

// Draws again when the window or the colours change, and for paper, which is light: `print` draws what it needs.
function redrawWith(draw, print = draw) {
  let waiting = 0;
  const later = () => {
    cancelAnimationFrame(waiting);
    waiting = requestAnimationFrame(() => { fills.clear(); draw(); });
  };
  addEventListener("resize", later);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", later);
  const paper = (on) => {
    document.documentElement.classList.toggle("printing", on);
    fills.clear();
  };
  addEventListener("beforeprint", () => { paper(true); print(); });
  addEventListener("afterprint", () => { paper(false); later(); });
  return later;
}

// Keys of one letter work unless a field has them, and can be turned off.
const keys = {
  on: (() => { try { return localStorage.getItem("keepstill-keys") !== "off"; } catch { return true; } })(),
  actions: new Map(),
};
addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.target.closest("input:not([type=range]), select, textarea")) return;
  // A key that is held down acts once; with caps lock on, too.
  const action = keys.on && keys.actions.get(event.key.length === 1 ? event.key.toLowerCase() : event.key);
  if (action) { event.preventDefault(); if (!event.repeat) action(); }
});
function keySwitch() {
  const box = el("input", { type: "checkbox", checked: keys.on, onchange: () => {
    keys.on = box.checked;
    try { localStorage.setItem("keepstill-keys", keys.on ? "on" : "off"); } catch { /* private window */ }
  } });
  return el("label", { class: "line" }, box, "single-letter keys");
}
