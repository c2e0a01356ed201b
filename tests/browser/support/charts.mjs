// The numbers that the pictures of quality.html show, read back from where things are drawn: axes first, by the places
// and words of their ticks, then what is drawn over them.
import assert from "node:assert/strict";

/** What each picture of a page is made of, in order, in the picture's own units. */
export function pictures(page) {
  return page.$$eval("figure.chart svg", (all) => all.map((svg) => {
    // A step of the ramp of colours, the lowest 0.
    const stopOf = (one) => { const found = one.getAttribute("class")?.match(/\bstop-(\d+)$/); return found ? Number(found[1]) : null; };
    const numbers = (one, names) => Object.fromEntries(names.map((name) => [name, Number(one.getAttribute(name))]));
    return {
      label: svg.getAttribute("aria-label"),
      role: svg.getAttribute("role"),
      caption: svg.closest("figure").querySelector("figcaption").textContent,
      texts: [...svg.querySelectorAll("text")].map((one) => ({ ...numbers(one, ["x", "y"]), anchor: one.getAttribute("text-anchor"), words: one.textContent })),
      paths: [...svg.querySelectorAll("path")].map((one) => ({ kind: [...one.classList], d: one.getAttribute("d"), drawn: getComputedStyle(one).stroke !== "none" || getComputedStyle(one).fill !== "none" })),
      cells: [...svg.querySelectorAll("rect")].map((one) => ({ ...numbers(one, ["x", "y", "width", "height"]), stop: stopOf(one), fill: getComputedStyle(one).fill })),
      scale: [...svg.querySelectorAll("path")].filter((one) => stopOf(one) !== null).map((one) => ({ stop: stopOf(one), x: Number(one.getAttribute("d").match(/^M(-?[\d.]+) /)[1]), fill: getComputedStyle(one).fill })),
    };
  }));
}

/** Places are written with one digit. */
const NEAR = 0.11;

/** A number's place, from the ticks of an axis; each must lie on one straight line. */
function axis(ticks) {
  assert.ok(ticks.length >= 2, `an axis has ${ticks.length} ticks`);
  const [first, last] = [ticks[0], ticks.at(-1)];
  const slope = (last.at - first.at) / (last.value - first.value);
  const place = (value) => first.at + slope * (value - first.value);
  for (const tick of ticks) assert.ok(Math.abs(place(tick.value) - tick.at) < NEAR, `tick ${tick.value} is at ${tick.at}`);
  return place;
}

function axes(picture) {
  const isNumber = (text) => /^-?\d+(\.\d+)?$/.test(text.words);
  const ticks = (anchor, at) => picture.texts.filter((text) => text.anchor === anchor && isNumber(text)).map((text) => ({ at: at(text), value: Number(text.words) }));
  // The words of a y tick are centred on its line, whose place the line itself tells.
  const lines = picture.paths.filter((path) => path.kind.includes("grid")).map((path) => path.d.match(/^M70 (-?[\d.]+)H700$/)?.[1]).filter((at) => at !== undefined).map(Number);
  const line = (text) => lines.find((at) => Math.abs(at + 5 - text.y) < NEAR) ?? assert.fail(`the tick ${text.words} has no line`);
  return { x: axis(ticks("middle", (text) => text.x)), y: axis(ticks("end", line)) };
}

/** Below the legend. */
const marks = (picture, kind, row) => picture.paths.filter((path) => path.kind.includes(kind) && (row === undefined || path.kind.includes(`kept-${row}`)) && !/^M-?[\d.]+ (10|20)(\.0)?(h|m)/.test(path.d));
const one = (found, what) => {
  assert.equal(found.length, 1, what);
  assert.ok(found[0].drawn, `${what} is drawn`);
  return found[0];
};
const near = (found, expected, what) => assert.ok(Math.abs(found - expected) < NEAR, `${what} is drawn at ${found}, not at ${expected}`);
const row = (told) => ({ after: 0, before: 1 })[told.censoring];
const names = { after: "after censoring", before: "before censoring" };

/** A step curve's steps: from, height, to. */
function steps(d) {
  const found = [...d.matchAll(/[ML](-?[\d.]+) (-?[\d.]+)H(-?[\d.]+)/g)].map((step) => step.slice(1).map(Number));
  assert.equal(found.map((step, k) => `${k === 0 ? "M" : "L"}${step[0].toFixed(1)} ${step[1].toFixed(1)}H${step[2].toFixed(1)}`).join(""), d);
  return found;
}

/** The legend names what is drawn and nothing else. */
function legend(picture, rows, chance) {
  const words = picture.texts.filter((text) => text.y === 26).map((text) => text.words);
  assert.deepEqual(words, [...rows.map((told) => names[told.censoring]), ...(chance ? ["chance alone"] : [])]);
}

/** The histogram of one or two rows of quality.json. */
export function holdsHistogram(picture, rows) {
  const { x, y } = axes(picture);
  const bars = (steps, shares, width) => {
    let all = 0;
    steps.slice(1).forEach(([from], k) => near(from, steps[k][2], "a bar's begin"));
    for (const [from, height, to] of steps) {
      const bar = shares.findIndex((_, k) => Math.abs(x(-1 + k * width) - from) < NEAR);
      assert.ok(bar >= 0, `a bar begins at ${from}`);
      near(to, x(-1 + (bar + 1) * width), "a bar's end");
      near(height, y(100 * shares[bar]), `bar ${bar}`);
      all += shares[bar];
    }
    return all;
  };
  for (const told of rows) {
    const shares = told.histogram.counts.map((count) => count / told.edges_with_r);
    const drawn = steps(one(marks(picture, "line", row(told)), `the line of ${told.censoring}`).d);
    const all = bars(drawn, shares, told.histogram.width);
    assert.ok(Math.abs(all - 1) < 1e-9, `all bars add up to ${all}`);
    assert.ok(picture.label.includes(`${told.edges_with_r} edges`));
    assert.ok(picture.label.toLowerCase().includes(`${names[told.censoring]}: median |r| ${told.median_abs_r.toFixed(2)}, ${(100 * told.share_p).toFixed(1)} %`), picture.label);
  }
  assert.equal(marks(picture, "line").length, rows.length);
  const [first] = rows;
  const { d } = one(marks(picture, "chance"), "the area of chance alone");
  const share = bars(steps(d.replace(/V350H70Z$/, "")), first.histogram.chance, first.histogram.width);
  assert.ok(share > 0.98 && share < 1 + 1e-9, `chance alone adds up to ${share}`);
  assert.ok(picture.label.includes(`By chance alone, median |r| ${first.chance_median_abs_r.toFixed(2)}`), picture.label);
  legend(picture, rows, true);
  return rows.length;
}

/** Median and quartiles by distance, of one or two rows. */
export function holdsDistance(picture, rows) {
  const { x, y } = axes(picture);
  for (const told of rows) {
    // Two rows are drawn a little apart, as the caption says.
    const shift = rows.length < 2 ? 0 : 5 - 10 * row(told);
    const dots = marks(picture, "dot", row(told)).map((path) => path.d.match(/^M(-?[\d.]+) (-?[\d.]+)m/).slice(1).map(Number));
    const threads = marks(picture, "thread", row(told)).map((path) => path.d.match(/^M(-?[\d.]+) (-?[\d.]+)V(-?[\d.]+)$/).slice(1).map(Number));
    const curve = one(marks(picture, "line", row(told)).filter((path) => !path.kind.includes("thread")), `the line of ${told.censoring}`);
    assert.deepEqual([dots.length, threads.length], [told.distance_parts.length, told.distance_parts.length]);
    assert.equal(curve.d, `M${dots.map((at) => at.map((v) => v.toFixed(1)).join(" ")).join("L")}`);
    told.distance_parts.forEach((part, k) => {
      near(dots[k][0], x(part.distance_mm[1]) + shift, `distance of mark ${k}`);
      near(dots[k][1], y(part.r_quartiles[1]), `median of mark ${k}`);
      near(threads[k][0], dots[k][0], `thread ${k}`);
      near(threads[k][1], y(part.r_quartiles[0]), `lower quartile of mark ${k}`);
      near(threads[k][2], y(part.r_quartiles[2]), `upper quartile of mark ${k}`);
      const nothing = (words) => words.replace(/^-(?=[0.]+$)/, "");
      assert.ok(picture.label.includes(`${nothing(part.r_quartiles[1].toFixed(2))} at ${part.distance_mm[1].toFixed(0)} mm`), picture.label);
    });
    assert.ok(dots.length > 0);
  }
  assert.equal(picture.caption.includes("a little apart"), rows.length > 1);
  legend(picture, rows, false);
  return rows.length;
}

/** Red, green and blue of "rgb(1, 2, 3)". */
const rgb = (fill) => fill.match(/^rgb\((\d+), (\d+), (\d+)\)$/).slice(1).map(Number);

/** The scale of a matrix: the ramp's colours in their order, orange above and blue below, and the numbers of its ends. */
function holdsScale(picture, strongest) {
  const { scale } = picture;
  assert.deepEqual(scale.map((part) => part.stop), [...Array(33).keys()]);
  scale.slice(1).forEach((part, k) => assert.ok(part.x > scale[k].x, "from the lowest to the highest"));
  const [low, middle, high] = [0, 16, 32].map((stop) => rgb(scale[stop].fill));
  assert.ok(low[2] > low[0] + 40, `below is ${low}`);
  assert.ok(high[0] > high[2] + 40, `above is ${high}`);
  assert.ok(Math.max(...middle) - Math.min(...middle) <= 3, `zero is ${middle}`);
  const words = picture.texts.filter((text) => text.y > Math.max(...picture.cells.map((cell) => cell.y + cell.height)));
  assert.equal(words.length, 3);
  words.forEach((text, k) => assert.ok(Math.abs(Number(text.words) - (k - 1) * strongest) <= 0.051 * strongest, `the scale says ${text.words}, the ends are ${strongest}`));
}

/** A mean matrix by network: each cell's place, sign, strength and number. */
export function holdsMatrix(picture, told) {
  const { networks, network_means: means } = told;
  const count = networks.length;
  const values = means.flat().filter((value) => value !== null);
  const strongest = Math.max(...values.map(Math.abs), ...(told.measure === "covariance" ? [] : [0.1]));
  assert.equal(picture.cells.length, values.length);
  const [left, top] = [Math.min(...picture.cells.map((cell) => cell.x)), Math.min(...picture.cells.map((cell) => cell.y))];
  const seen = new Set();
  for (const cell of picture.cells) {
    const [a, b] = [Math.round((cell.y - top) / cell.height), Math.round((cell.x - left) / cell.width)];
    seen.add(`${a} ${b}`);
    const value = means[a][b];
    assert.ok(Math.abs(cell.stop - 16 * (1 + value / strongest)) <= 0.5 + 1e-6, `cell ${a} ${b}`);
    assert.equal(cell.fill, picture.scale[cell.stop].fill, `cell ${a} ${b}`);
    const inside = picture.texts.filter((text) => text.x > cell.x && text.x < cell.x + cell.width && text.y > cell.y && text.y < cell.y + cell.height);
    assert.equal(inside.length, count <= 8 ? 1 : 0, `cell ${a} ${b}`);
    for (const text of inside) assert.ok(Math.abs(Number(text.words) - value) <= 0.005 + 1e-9, `cell ${a} ${b} says ${text.words}, is ${value}`);
  }
  holdsScale(picture, strongest);
  assert.equal(seen.size, values.length, "each cell has a place of its own");
  // The text alternative has every pair once, with the networks' whole names.
  networks.forEach((name, a) => networks.forEach((other, b) => {
    if (b < a || means[a][b] === null) return;
    const value = means[a][b].toFixed(2).replace(/^-(?=[0.]+$)/, "");
    assert.ok(picture.label.includes(a === b ? `within ${name} ${value}` : `${name} with ${other} ${value}`), `${name} ${other} ${value}`);
  }));
  // Every network's name is at its row, or whole below the picture.
  networks.forEach((name, a) => {
    const words = picture.texts.find((text) => text.anchor === "end" && text.words.endsWith(` ${a + 1}`)).words;
    assert.ok(words === `${name} ${a + 1}` || picture.caption.includes(`${a + 1} ${name}`), words);
  });
  return values.length;
}
