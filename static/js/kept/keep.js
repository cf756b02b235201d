// Go on without the server: marks of the job that is open are kept on this tablet and sent later, in order.
// The server judges each when it arrives; this page only refuses to go on where an answer lies outside its limit, and
// where only the server can judge.  Without a secure context the browser keeps nothing, and the page says so.
import { drain } from "./drain.js";
import { before, countOnFrom, holdCopy, line, putBack } from "./recover.js";
import { all, forget, keep, pack, savePack, savePhoto } from "./store.js";

const RETRY_MS = 5_000;
const LEAVE_AHEAD = 6;
const able = window.isSecureContext && "indexedDB" in window && "locks" in navigator;
let waiting = [];
let known;
let stoppedHere; // the job that was stopped on a page without its panel, until the server has the stop

const work = () => document.getElementById("work");
const ofThisJob = () => waiting.filter((mark) => mark.state === "kept" && mark.job === work()?.dataset.job);
const jobOf = (form) => decodeURIComponent(new URL(form.action).pathname.split("/")[2]);
const without = () => !navigator.onLine || ofThisJob().length > 0;

if (able) {
  navigator.serviceWorker?.register("/tablet.js", { type: "module", scope: "/" }).catch(() => {});
  navigator.serviceWorker?.addEventListener("message", (event) => { if (event.data === "drained") settle(); });
  navigator.storage?.persist?.();
  document.addEventListener("submit", take, true);
  document.addEventListener("changeout:unsent", (event) => { event.preventDefault(); keepForm(event.detail); });
  document.addEventListener("htmx:error", lost);
  document.addEventListener("htmx:after:request", answered);
  document.addEventListener("htmx:after:swap", () => { takeAlong(); tell(); });
  window.addEventListener("online", settle);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) settle(); });
  setInterval(() => { if (waiting.some((mark) => mark.state === "kept")) settle(); }, RETRY_MS);
  begin().catch(() => work() && say("Offline marks are off: this browser's storage is full or shut. Stay within reach of the server."));
} else if (work()) {
  say("Offline marks are off: this address is not secure, so the browser keeps nothing. Stay within reach of the server.");
}

async function begin() {
  if (work()?.dataset.stage === "accepted") await forget(work().dataset.job);
  await putBack();
  await read();
  warm();
  if (waiting.some((mark) => mark.state === "kept" && mark.acknowledged)) await giveBack();
  if (ofThisJob().length) await resume();
  await settle();
  await takeAlong();
}

// What was loaded before the service worker took over is put where it will look without the server.
async function warm() {
  await navigator.serviceWorker?.ready;
  const loaded = performance.getEntriesByType("resource").map((entry) => new URL(entry.name));
  const files = loaded.filter((address) => address.origin === location.origin && /^\/(static|kept)\//.test(address.pathname));
  await (await caches.open("changeout-files")).addAll(files.map(String)).catch(() => {});
  if (work()) await (await caches.open("changeout-pages")).add(location.href).catch(() => {});
}

// After a restore: what the server had acknowledged before goes back to it, and the page says what became of it.
async function giveBack() {
  const mine = waiting.filter((mark) => mark.state === "kept" && mark.acknowledged).map((mark) => mark.n);
  await settle();
  const left = new Set(waiting.filter((mark) => mark.state !== "taken").map((mark) => mark.n));
  const gone = mine.filter((n) => !left.has(n)).length;
  if (gone) say(`The server went on from a backup. It was offered again what this tablet had sent: ${gone === 1 ? "1 mark is" : `${gone} marks are`} in the record.`);
}

async function read() {
  waiting = (await all()).filter((mark) => mark.state !== "taken");
}

// --- taking marks ------------------------------------------------------------------------------------------

function take(event) {
  const form = event.target;
  if (!work()?.contains(form) || !form.matches("form[data-mark]") || !without()) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  keepForm(form);
}

function lost(event) {
  const form = event.detail?.ctx?.sourceElement;
  if (form?.matches?.("#work form[data-mark]")) keepForm(form);
}

// A mark that the server has answered is held here too, until its record is signed.
async function answered(event) {
  const { sourceElement: form, response } = event.detail?.ctx ?? {};
  if (response?.status !== 200 || !form?.matches?.("#work form[data-mark]")) return;
  const kind = new URL(form.action).pathname.split("/").pop();
  if (kind === "marks" || kind === "stop") await holdCopy(await markOf(kind, event.detail.ctx.request.body, form));
}

const keepForm = (form) => keepMark(form).catch((fault) => { // the browser's storage is full or shut: nothing is pretended
  const told = form.action.endsWith("/stop") ? "STOP by voice: this tablet could not keep the stop" : "Not recorded: this tablet could not keep the mark";
  say(`${told} (${fault?.name ?? "its storage failed"}). Write it down, and tell everybody at the housing and the lead.`, "refused");
});

async function keepMark(form) {
  const kind = new URL(form.action).pathname.split("/").pop();
  if (kind !== "marks" && kind !== "stop") {
    say("This waits for the server: a signature, a release or a decision is never kept on a tablet.", "refused");
    return;
  }
  const given = new FormData(form);
  const panels = known?.panels ?? [];
  const place = panels.findIndex((item) => item.step === given.get("step") && item.act === given.get("act"));
  if (kind === "marks" && panels[place]?.waits) return say(panels[place].waits, "refused");
  const mark = await markOf(kind, given, form);
  const { answers } = mark;
  const misread = wrongLabel(answers, panels[place]?.checks ?? {});
  if (kind === "marks" && misread) return say(misread, "refused");
  Object.assign(mark, await before(mark.job));
  if (waiting.some((other) => other.token === mark.token)) return;
  mark.n = await keep(mark);
  waiting.push({ ...mark, state: "kept", told: "" });
  askForSync();
  if (kind === "stop") return work()?.dataset.job ? stopped(panelOf(work().dataset)) : stoppedAlone(form);
  const outside = beyond(answers, panels[place]?.checks ?? {});
  if (outside) return rest(`${outside} lies outside its limit. The attempt is kept; the step waits for the server.`);
  onward(place >= 0 ? panels[place + 1] : undefined);
}

// What a form says, read at once: the page may be another before the photos are kept.
async function markOf(kind, given, form) {
  const { job = jobOf(form), person = document.body.dataset.person, size = 0 } = work()?.dataset ?? {};
  const answers = {};
  const files = [];
  for (const [name, value] of given) {
    if (!name.startsWith("a.")) continue;
    if (typeof value === "string") answers[name.slice(2)] = value;
    else if (value.size) files.push([name.slice(2), value]);
  }
  const mark = {
    job, person, photos: [], act: kind === "stop" ? "stop" : given.get("act"), step: given.get("step") ?? "", answers,
    note: given.get("note") ?? "", worker: given.get("worker") ?? "", hazards: given.get("hazards") ?? undefined, token: given.get("token"), device_at: given.get("device_at") || new Date().toISOString(),
    seen: Math.max(Number(size), known?.size ?? 0), line: line(),
    what: document.querySelector("h1.action")?.textContent ?? "STOP WORK",
  };
  for (const [name, file] of files) mark.photos.push((answers[name] = await keepPhoto(file)));
  return mark;
}

async function keepPhoto(file) {
  const bytes = await file.arrayBuffer();
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
  const name = [...digest].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  await savePhoto(name, new Blob([bytes]));
  return name;
}

function onward(next) {
  if (!next) return rest("This tablet carries no further steps. They come with the server.");
  if (next.waits) return rest(next.waits);
  const piece = document.createElement("template");
  piece.innerHTML = next.html;
  const fresh = piece.content.firstElementChild;
  recordFor(fresh, work().querySelector("select[data-worker]")?.value ?? "");
  work().replaceWith(fresh);
  window.htmx?.process(fresh);
  window.scrollTo({ top: 0 });
  tell();
}

// Whom this tablet records for stays chosen from step to step, also on panels that were made before the choice.
function recordFor(panel, person) {
  const chosen = panel.querySelector(`select[data-worker] option[value="${CSS.escape(person)}"]`);
  if (chosen) chosen.selected = true;
  if (chosen) chosen.closest("details").querySelector("summary").textContent = `${person ? "Recorded for" : "Done by"} ${chosen.text}`;
}

// A label is read before anybody acts; another one is no mark. Its end is enough, from four characters on.
export function wrongLabel(answers, checks) {
  const plain = (text) => text.toLowerCase().replace(/[^\p{L}\p{N}]/gu, "");
  for (const [ask, { label }] of Object.entries(checks)) {
    const typed = (answers[ask] ?? "").trim().replace(/\s+/g, " ");
    if (!label || plain(typed) === plain(label)) continue;
    const end = typed.length >= 4 && plain(typed) && plain(label).endsWith(plain(typed));
    if (!end) return `“${typed}” is not ${label}. Go to ${label} and read its label.`;
  }
  return "";
}

// Compare as decimal texts, never as binary floats; what cannot be read here is left to the server.
export function beyond(answers, checks) {
  for (const [ask, check] of Object.entries(checks)) {
    const given = (answers[ask] ?? "").trim().replace(",", ".").replace("\u2212", "-");
    if (!given) continue;
    if (check.label) continue;
    if (check.good) { if (!check.good.includes(answers[ask])) return `“${answers[ask]}”`; continue; }
    if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(given)) return `“${answers[ask]}”`;
    if (check.low != null && compare(given, check.low) < 0) return given;
    if (check.high != null && compare(given, check.high) > (check.op === "<" ? -1 : 0)) return given;
  }
  return "";
}

export function compare(left, right) {
  const parts = [left, right].map((text) => text.replace("+", "").split("."));
  const places = Math.max(...parts.map(([, part]) => (part ?? "").length));
  const [a, b] = parts.map(([whole, part]) => {
    const sign = whole.startsWith("-") ? -1n : 1n;
    return sign * BigInt(whole.replace("-", "") + (part ?? "").padEnd(places, "0") || "0");
  });
  return a < b ? -1 : a > b ? 1 : 0;
}

// --- sending and going back to the server -------------------------------------------------------------------

async function settle() {
  const had = ofThisJob().length > 0;
  if (waiting.some((mark) => mark.state === "kept")) await drain().catch(() => {});
  await read();
  if (had && !ofThisJob().length) await refresh();
  if (stoppedHere && !waiting.some((mark) => mark.job === stoppedHere)) {
    stoppedHere = say("The server has the stop now. Give the reason on the page of the job.");
  }
  tell();
}

async function refresh() {
  const piece = await fetch(`/jobs/${work().dataset.job}/now`, { headers: { "HX-Request": "true" } }).catch(() => null);
  if (!piece?.ok) return;
  const template = document.createElement("template");
  template.innerHTML = await piece.text();
  const fresh = template.content.firstElementChild;
  if (fresh?.id !== "work") return;
  const same = ["job", "stage", "step", "act", "person"].every((name) => fresh.dataset[name] === work().dataset[name]);
  if (same && work().querySelector("#mark")) { // nothing under a hand is taken away: only how far the job is, is noted
    Object.assign(work().dataset, { size: fresh.dataset.size, unsettled: fresh.dataset.unsettled });
  } else {
    work().replaceWith(fresh);
    window.htmx?.process(fresh);
  }
  await takeAlong();
}

async function askForSync() {
  const worker = await navigator.serviceWorker?.ready;
  await worker?.sync?.register("changeout-drain").catch(() => {});
}

async function takeAlong() {
  const here = work()?.dataset;
  if (!here?.step || ofThisJob().length) return;
  const carried = known ?? await pack(here.job); // meanwhile another look may have found them
  if ((known ??= carried)?.job !== here.job || (known.line ?? "") !== line()) known = undefined;
  const place = known?.panels.findIndex((item) => item.step === here.step && item.act === here.act) ?? -1;
  const fits = known && known.unsettled === Number(here.unsettled) && known.person === here.person && place >= 0;
  const ends = known?.panels.at(-1)?.waits ? known.panels.length : Infinity;
  if (fits && (place < known.panels.length - LEAVE_AHEAD || ends === known.panels.length)) return;
  const told = await fetch(`/jobs/${here.job}/ahead`).catch(() => null);
  if (!told?.ok) return;
  known = await told.json();
  await countOnFrom(known.counted ?? 0);
  await savePack(known);
}

// After a reload without the server: the panel after the last kept mark.
async function resume() {
  known = await pack(work().dataset.job);
  const marks = ofThisJob();
  const last = marks.filter((mark) => mark.act !== "stop").at(-1);
  const place = last ? known?.panels.indexOf(panelOf(last)) ?? -1 : -1;
  if (marks.some((mark) => mark.act === "stop")) {
    return stopped(last ? known?.panels[place + 1] : panelOf(work().dataset));
  }
  const outside = beyond(last.answers, known?.panels[place]?.checks ?? {});
  if (outside) return rest(`${outside} lies outside its limit. The attempt is kept; the step waits for the server.`);
  onward(place >= 0 ? known.panels[place + 1] : undefined);
}

// --- saying it ----------------------------------------------------------------------------------------------

function panelOf({ step, act }) {
  return known?.panels.find((item) => item.step === step && item.act === act);
}

function rest(why) {
  standstill("Wait for the server", why);
}

function stoppedAlone(form) {
  stoppedHere = jobOf(form);
  form.remove();
  say("STOPPED on this tablet. The server does not know it yet. Tell everybody at the housing by voice.");
  tell();
}

function stopped(panel) {
  const acts = panel?.to_rest ?? [];
  const lines = panel?.at_rest ? ["The ports are at rest: the job may be left as it is."]
    : acts.length ? [`NOT at rest. ${acts.length} ${acts.length === 1 ? "action" : "actions"} from here:`, ...acts.map((act, place) => `${place + 1}. ${act}`)]
      : ["Keep the barrier. Call the lead and the safety officer."];
  standstill("STOPPED on this tablet", "The server does not know it yet. Tell everybody at the housing by voice.", lines);
  work().querySelector(".work-controls .stop")?.closest("form").remove();
}

function standstill(heading, why, lines = []) {
  const main = work().querySelector("main");
  const view = main.querySelector(".step-view");
  const said = element("section", "step-said", "");
  said.append(element("h1", "action", heading), element("p", "aside", why));
  for (const line of lines) said.append(element("p", line.startsWith("NOT") ? "told" : "", line));
  main.className = "work work-stopped";
  main.replaceChildren(...(view ? [view] : []), said);
  work().querySelector(".work-controls .primary")?.remove();
  tell();
}

function element(name, kind, text) {
  const made = document.createElement(name);
  made.className = kind;
  made.textContent = text;
  return made;
}

function say(text, tone = "kept") {
  const main = document.querySelector("main");
  if (!main) return;
  main.querySelector("[data-said]")?.remove();
  const told = element("p", `told told-${tone} wide`, text);
  told.dataset.said = "";
  told.setAttribute("role", "status");
  main.prepend(told);
  window.scrollTo({ top: 0 });
}

function tell() {
  document.querySelectorAll("[data-kept]").forEach((old) => old.remove());
  const main = document.querySelector("main");
  const kept = waiting.filter((mark) => mark.state === "kept");
  const aside = waiting.filter((mark) => mark.state === "aside");
  if (!main || (!kept.length && !aside.length)) return;
  const told = element("section", "told told-kept wide", "");
  told.dataset.kept = String(kept.length);
  told.setAttribute("role", "status");
  if (kept.length) {
    const many = kept.length === 1 ? "1 mark is" : `${kept.length} marks are`;
    told.append(element("p", "", `${many} kept on this tablet, not yet on the server.`));
    if (kept.some((mark) => mark.person !== (work()?.dataset.person ?? mark.person))) {
      told.append(element("p", "", "Some were made by somebody else and go when they sign in."));
    }
  }
  for (const mark of aside) {
    const line = element("p", "", `Set aside: mark ${mark.n}, “${mark.what}”, ${mark.device_at}. ${mark.told}`);
    line.dataset.aside = String(mark.n);
    told.append(line);
  }
  // Where nothing under a finger moves: above the controls of the step, at the end of any other page.
  const foot = document.querySelector(".work-foot");
  if (foot) foot.prepend(told);
  else main.append(told);
}
