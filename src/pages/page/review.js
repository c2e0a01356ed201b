// Reviewing, when `keepstill review` serves the page: decisions, what others decided, blinding.
const shownKey = new URLSearchParams(location.search).get("shown");
const blinded = document.querySelector('meta[name="keepstill-blinded"]').content === "yes";
const isCohort = document.body.classList.contains("cohort");
const DECISIONS = [["include", "i"], ["exclude", "e"], ["unsure", "u"]];
const remembered = (name) => { try { return localStorage.getItem(name) ?? ""; } catch { return ""; } };
const remember = (name, value) => { try { localStorage.setItem(name, value); } catch { /* private window */ } };

// What others decided is shown once the reviewer has decided, so that agreement means something; or when asked for.
function statePath(reveal) {
  const query = new URLSearchParams();
  if (remembered("keepstill-reviewer")) query.set("reviewer", remembered("keepstill-reviewer"));
  if (reveal) query.set("reveal", "1");
  if (shownKey) query.set("shown", shownKey);
  return `/api/state?${query}`;
}

async function ask(path, body) {
  const options = body === undefined ? {} : { method: "POST", headers: { "Content-Type": "application/json", "X-Keepstill-Token": token }, body: JSON.stringify(body), keepalive: true };
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error("The review server does not answer; start `keepstill review` again. Nothing was saved.");
  }
  let said;
  try { said = await answer.json(); } catch { said = {}; }
  if (!answer.ok) throw new Error(said.error ?? `The review server refused (${answer.status}). Nothing was saved.`);
  return said;
}

function initialsField(changed) {
  const input = el("input", { id: "reviewer", size: 6, maxlength: 8, autocomplete: "off", value: remembered("keepstill-reviewer") });
  input.addEventListener("input", () => { input.value = input.value.toUpperCase(); remember("keepstill-reviewer", input.value.trim()); });
  if (changed) input.addEventListener("change", changed);
  return el("label", {}, "your initials", input);
}
function initials(say) {
  const input = document.getElementById("reviewer");
  if (!input.value.trim()) {
    say("Enter your initials first.");
    input.focus();
    return null;
  }
  return input.value.trim();
}

// ---- blinding ---------------------------------------------------------------------------------------------------
function blindingPart(say) {
  if (!blinded) return el("span", {}, "Group, sex and age are shown, and your decisions record it.");
  const button = el("button", { type: "button", onclick: async () => {
    const reviewer = initials(say);
    if (!reviewer || !confirm("Show group, sex and age? This is recorded with your initials.")) return;
    try {
      const found = await ask("/api/unhide", { reviewer });
      location.search = `?shown=${encodeURIComponent(found.key)}`;
    } catch (error) { say(error.message); }
  } }, "show group, sex and age");
  return el("span", {}, "Group, sex and age are hidden. ", button);
}

// ---- the cohort page --------------------------------------------------------------------------------------------
function agreementPart(found) {
  if (!found.agreement.length) return null;
  const rows = found.agreement.map((pair) => el("tr", {}, el("th", { scope: "row" }, pair.reviewers.join(" and ")), el("td", { class: "n" }, String(pair.children)),
    el("td", { class: "n" }, String(pair.agree)), el("td", { class: "n" }, digits(pair.kappa, 2)),
    el("td", { class: "n" }, pair.low === null ? "n/a" : `${digits(pair.low, 2)} to ${digits(pair.high, 2)}`)));
  const head = el("tr", {}, ["reviewers", "children", "same decision", "Cohen's kappa", "95 % interval"].map((name) => el("th", { scope: "col" }, name)));
  return el("div", { class: "wide", tabindex: 0, role: "region", "aria-label": "Agreement of reviewers" }, el("h3", {}, "Agreement"), el("table", {}, el("thead", {}, head), el("tbody", {}, rows)));
}
function childLink(stem) { return el("a", { href: `/child/${encodeURIComponent(stem)}${location.search}`, onclick: leave }, stem); }

// Built once: a field or button that is replaced while it is pressed or focused loses the click.
let cohortParts = null;
function cohortBar() {
  const [told, withheld, after] = [el("p", {}), el("div", {}), el("div", {})];
  const status = el("p", { class: "saved", role: "status" });
  const say = (text) => { status.textContent = text; };
  const mine = () => document.getElementById("reviewer").value.trim();
  const decided = (row) => (state.review[row.stem]?.decisions ?? []).some((d) => d.current && d.reviewer === mine());
  const next = el("button", { type: "button", onclick: () => {
    const row = state.shown.find((row) => row.page && !decided(row));
    if (!row) { say("You have decided on every child in the table."); return; }
    leave();
    location.href = hrefOf(row);
  } }, "go to the next child you have not decided on");
  document.getElementById("review-bar").replaceChildren(el("section", { class: "decide", "aria-labelledby": "review-heading" }, el("h2", { id: "review-heading" }, "Review"),
    told, withheld, el("div", { class: "controls" }, initialsField(() => { say(""); cohortReview(); }), next), el("p", {}, blindingPart(say)), status, after));
  return { told, withheld, after };
}

async function cohortReview(reveal = false) {
  let found;
  try { found = await ask(statePath(reveal)); } catch (error) { document.getElementById("review-bar").append(el("p", { class: "problem" }, error.message)); return; }
  state.review = found.children;
  const counts = {};
  for (const row of data.rows) counts[reviewOf(row)] = (counts[reviewOf(row)] ?? 0) + 1;
  const told = ["include", "exclude", "unsure", "disagreement", "out_of_date", "withheld"].filter((word) => counts[word]).map((word) => `${counts[word]} ${words(word)}`);
  const open = counts["n/a"] ?? 0;
  cohortParts ??= cohortBar();
  cohortParts.told.textContent = `${told.length ? told.join(", ") : "No decisions yet"}; ${open} not reviewed${counts.out_of_date ? ", and those out of date are to be looked at again" : ""}.${counts.withheld ? " Withheld means that others have decided and you have not; once you decide, you see their decisions." : ""}`;
  cohortParts.withheld.replaceChildren(...(counts.withheld ? [el("p", {}, el("button", { type: "button", onclick: () => cohortReview(true) }, "show all decisions"))] : []));
  cohortParts.after.replaceChildren(...[
    found.disagreements.length ? el("div", {}, el("h3", {}, "To settle"), el("ul", {}, found.disagreements.map((stem) => el("li", {}, childLink(stem))))) : null,
    agreementPart(found),
    found.skipped.length ? el("div", {}, el("h3", {}, "Lines of decisions.tsv that were ignored"), el("ul", { class: "warnings" }, found.skipped.map((line) => el("li", {}, line)))) : null].filter(Boolean));
  arrange();
}

// ---- a child's page ---------------------------------------------------------------------------------------------
let pending = Promise.resolve();
function neighbours(all) {
  let order = [];
  try { order = JSON.parse(sessionStorage.getItem("keepstill-order") ?? "[]"); } catch { /* private window */ }
  if (!order.includes(data.stem)) order = all;
  const at = order.indexOf(data.stem);
  const place = document.getElementById("neighbours");
  const way = (stem, text, key) => {
    if (!stem) return null;
    const link = el("a", { href: `/child/${encodeURIComponent(stem)}${location.search}`, "aria-keyshortcuts": key }, text);
    keys.actions.set(key, () => pending.then(() => link.click()));
    return link;
  };
  if (at >= 0) place.replaceChildren(...[way(order[at - 1], "← previous (p) ", "p"), way(order[at + 1], " next (n) →", "n")].filter(Boolean));
  document.getElementById("back").href = `/${location.search}`;
}

function historyPart(child) {
  if (!child || !child.decisions.length) return el("p", {}, "No decision yet.");
  const items = [...child.decisions].reverse().map((d) => el("li", { class: d.current ? null : "stale" },
    `${d.time.replace("T", " ").replace("Z", " UTC")}, ${d.reviewer}: ${d.decision}`, d.reason ? `, ${d.reason}` : "", d.note ? ` (${d.note})` : "",
    d.settles ? ", settles" : "", d.blinded ? "" : ", group, sex and age shown", d.current ? "" : " – out of date: the results have changed since"));
  return el("ul", { class: "history" }, items);
}

function standingWords(child) {
  if (child.review === "out_of_date") return "Standing: out of date. The results have changed since the decisions below were made, so please look again.";
  return `Standing: ${child.review.replaceAll("_", " ")} (${child.reviewers.join(", ")}).`;
}

async function childReview() {
  const place = document.getElementById("decide");
  const status = el("p", { class: "saved", role: "status" });
  const say = (text) => { status.textContent = text; };
  let found;
  try { found = await ask(statePath(false)); } catch (error) { place.append(el("p", { class: "problem" }, error.message)); return; }
  neighbours(Object.keys(found.children));
  const reason = el("select", { id: "reason" });
  const fillReasons = (reasons, chosen) => reason.replaceChildren(el("option", { value: "" }, "no reason given"), ...reasons.map((r) => el("option", { value: r, selected: r === chosen }, r)));
  fillReasons(found.reasons);
  const note = el("input", { id: "note", size: 30, maxlength: 500, autocomplete: "off" });
  const add = el("button", { type: "button", onclick: async () => {
    const text = prompt("A reason to add to the list:")?.trim();
    if (!text) return;
    try { fillReasons((await ask("/api/reasons", { reason: text })).reasons, text); } catch (error) { say(error.message); }
  } }, "add a reason");
  const settles = el("input", { type: "checkbox", id: "settles" });
  const history = el("div");
  const standing = el("p", {});
  // Lines about the child that this page knew of: one who settles meanwhile is not overruled unseen.
  let seen = found.children[data.stem]?.lines ?? 0;
  const tell = (child) => {
    seen = child?.lines ?? seen;
    const others = child?.others ?? 0;
    const withheld = child?.review === "withheld";
    standing.replaceChildren(withheld
      ? `${others} ${others === 1 ? "other has" : "others have"} decided. You will see what, once you have decided. `
      : child && child.review !== "n/a" ? standingWords(child) : "Standing: not reviewed.",
    withheld ? el("button", { type: "button", onclick: async () => {
      try { tell((await ask(statePath(true))).children[data.stem]); } catch (error) { say(error.message); }
    } }, "show it now") : "");
    history.replaceChildren(historyPart(child));
  };
  tell(found.children[data.stem]);
  let busy = false;
  let saves = 0;
  const buttons = DECISIONS.map(([decision, key]) => {
    const save = async () => {
      // One at a time: the last decision asked for must be the last one taken down.
      if (busy) return;
      const reviewer = initials(say);
      if (!reviewer) return;
      busy = true;
      buttons.forEach((button) => button.setAttribute("aria-disabled", "true"));
      say("Saving …");
      try {
        const answer = await ask("/api/decide", { stem: data.stem, reviewer, decision, reason: reason.value, note: note.value.trim(), settles: settles.checked, results_digest: data.results_digest, shown: shownKey, seen });
        saves += 1;
        tell(answer.child);
        say(`Saved: ${decision}, by ${reviewer}.`);
      } catch (error) { say(error.message); }
      busy = false;
      buttons.forEach((button) => button.removeAttribute("aria-disabled"));
    };
    const decide = () => { if (!busy) pending = save(); };
    keys.actions.set(key, decide);
    return el("button", { type: "button", "data-decision": decision, "aria-keyshortcuts": key, onclick: decide }, `${decision} (${key})`);
  });
  keys.actions.set("w", () => reason.focus());
  keys.actions.set("t", () => note.focus());
  place.replaceChildren(el("section", { class: "decide", "aria-labelledby": "decide-heading" }, el("h2", { id: "decide-heading" }, "Decide"),
    standing,
    el("div", { class: "controls" }, initialsField(async () => {
      const before = saves;
      try {
        const now = await ask(statePath(false));
        // An answer that was asked for before a decision and comes after it does not know of it.
        if (saves === before) tell(now.children[data.stem]);
      } catch (error) { say(error.message); }
    }), el("label", {}, "reason (w)", reason), add, el("label", {}, "in your own words (t)", note),
      el("label", { class: "line" }, settles, "settles a disagreement")),
    el("div", { class: "controls buttons" }, buttons), status, el("p", {}, blindingPart(say)),
    el("details", {}, el("summary", {}, "Decisions so far, and keys"), history,
      el("p", {}, ...DECISIONS.flatMap(([decision, key]) => [el("kbd", {}, key), ` ${decision}, `]), el("kbd", {}, "w"), " goes to the reasons, ", el("kbd", {}, "t"), " to your own words, ",
        el("kbd", {}, "n"), " and ", el("kbd", {}, "p"), " to the next and the previous child. While you type in a field, keys do nothing else: ", el("kbd", {}, "Esc"), " leaves the field."))));
  place.addEventListener("keydown", (event) => { if (event.key === "Escape" && event.target.closest("input, select")) event.target.blur(); });
}

if (isCohort) cohortReview(); else childReview();
