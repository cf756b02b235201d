// Cover the screen when nobody has touched it for a while; what was typed stays under the cover.  The server locks the
// session by itself too; a request that it refuses for that (423) lays the cover and swaps nothing.
// STOP WORK stays in reach without a secret, and what was typed stays then too, unless it answers the step that was
// stopped.  All pages of a browser share the last touch.
const WARN_MS = 20_000;
const TOUCHES = ["pointerdown", "keydown", "input", "wheel", "touchmove"];
const { coverMin, person } = document.body.dataset;
const limit = Number(coverMin) * 60_000;
const tellEvery = limit / 6; // so much earlier than here may the server lock at most
const COVERED = "changeout-covered"; // outlives a reload without the server
const screen = document.querySelector("[data-cover-screen]");
const soon = document.querySelector("[data-cover-soon]");
const told = document.querySelector("[data-cover-told]");
const stop = document.querySelector("[data-cover-stop]");
const others = new BroadcastChannel("changeout-touch");
const title = document.title;
const greeting = told?.textContent;
const PATIENCE_MS = 8_000;
const headers = { "X-Changeout": "sentence" }; // answered by a status and a sentence, not by a redirect
let touched = Date.now();
let toldServer = Date.now();
let left;

if (limit && screen) {
  for (const kind of TOUCHES) document.addEventListener(kind, touch, { capture: true, passive: true });
  others.onmessage = () => { touched = Math.max(touched, Date.now()); };
  document.addEventListener("htmx:before:response", (event) => {
    if (event.detail?.ctx?.response?.status !== 423) return;
    event.preventDefault();
    cover(false);
  });
  document.addEventListener("visibilitychange", look);
  screen.addEventListener("cancel", (event) => event.preventDefault());
  screen.querySelector("[data-cover-form]").addEventListener("submit", uncover);
  stop.addEventListener("click", stopWork);
  screen.addEventListener("close", () => { if (covered()) screen.showModal(); });
  setInterval(look, 1_000);
  if (localStorage.getItem(COVERED)) again();
}

function touch() {
  if (screen.open) return;
  if (Date.now() - touched >= limit) return look(); // the touch that comes too late uncovers nothing
  touched = Date.now();
  soon.hidden = true;
  others.postMessage("touched");
  if (touched - toldServer < tellEvery) return;
  toldServer = touched;
  fetch("/here", { method: "POST" }).then((answer) => { if (answer.status === 423) cover(false); }).catch(() => {});
}

function covered() {
  return document.body.classList.contains("is-covered");
}

// After a reload: only the server can say that the screen was uncovered meanwhile.
async function again() {
  cover(false);
  const answer = await fetch("/here", { method: "POST", redirect: "manual" }).catch(() => null);
  if (answer?.status === 204) lift();
}

function look() {
  if (screen.open) return;
  const rest = touched + limit - Date.now();
  if (rest <= 0) return cover(true);
  soon.hidden = rest > WARN_MS;
  if (!soon.hidden) soon.textContent = `This screen is covered in ${Math.ceil(rest / 1000)} s. Touch it anywhere to stay.`;
}

function cover(tellServer) {
  if (screen.open) return;
  soon.hidden = true;
  left = document.activeElement;
  say(greeting);
  stop.hidden = !stopForm();
  document.title = "Covered";
  document.body.classList.add("is-covered");
  localStorage.setItem(COVERED, "yes");
  screen.showModal();
  if (tellServer) fetch("/lock", { method: "POST" }).catch(() => {});
}

async function uncover(event) {
  event.preventDefault();
  const field = screen.querySelector("input");
  const body = new URLSearchParams({ secret: field.value, quietly: "yes", person });
  field.value = "";
  const answer = await send("/unlock", body);
  if (!answer) return say("The server is out of reach, and only it can tell whether a secret is right. STOP WORK works.");
  if (answer.status === 401) return location.assign("/signin");
  if (answer.status === 409) return location.assign("/");
  if (!answer.ok) return say(await sentence(answer));
  if (screen.dataset.stopped && document.getElementById("work")) return location.reload(); // its step is not to be done now
  lift();
}

function lift() {
  document.title = title;
  document.body.classList.remove("is-covered");
  localStorage.removeItem(COVERED);
  screen.close();
  touched = toldServer = Date.now();
  left?.focus?.({ preventScroll: true }); // what was said meanwhile stands at the top
}

function stopForm() {
  const forms = document.querySelectorAll("form[action$='/stop']:not([data-only])");
  const jobs = new Set(Array.from(forms, (form) => form.action));
  return jobs.size === 1 ? forms[0] : null; // on a page of several jobs, or of none, nobody could say which one is meant
}

async function stopWork() {
  const form = stopForm();
  form.querySelector("[name=device_at]").value = new Date().toISOString();
  const body = new URLSearchParams(new FormData(form));
  const answer = await send(form.action, body);
  if (answer && answer.status !== 204) return say(await sentence(answer)); // the button stays: nothing was stopped
  stop.hidden = true;
  screen.dataset.stopped = "yes";
  if (answer) {
    document.dispatchEvent(new CustomEvent("changeout:stopped", { detail: form }));
    return say("The job is STOPPED. Give the reason after signing in.");
  }
  form.requestSubmit(); // kept on the tablet, if it can keep anything
  say("STOPPED on this tablet; the server does not know it yet. Tell everybody at the housing by voice.");
}

function send(address, body) {
  const signal = AbortSignal.timeout(PATIENCE_MS);
  return fetch(address, { method: "POST", body, redirect: "manual", headers, signal }).catch(() => null);
}

async function sentence(answer) {
  if (answer.headers.get("content-type")?.startsWith("text/plain")) return answer.text();
  return "The server did NOT do it and cannot say why. Stop by voice; then uncover the screen and look.";
}

function say(text) {
  told.textContent = text;
}
