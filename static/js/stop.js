// STOP on a page without the work panel is sent from here, so that an answer that never comes is noticed: then the
// tablet keeps the stop if it keeps anything (kept/keep.js), and else the page says so.  A page that was covered when it
// was stopped stays, with what was typed on it, and leads to the reason.
const STOP = /\/stop$/;
const PATIENCE_MS = 8_000;

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!STOP.test(form.action) || form.hasAttribute("hx-post")) return;
  event.preventDefault();
  send(form);
});

document.addEventListener("changeout:stopped", (event) => stopped(event.detail));

async function send(form) {
  const covered = document.body.classList.contains("is-covered");
  const body = new URLSearchParams(new FormData(form));
  const asked = { method: "POST", body, redirect: "manual", headers: { "X-Changeout": "sentence" } };
  const answer = await fetch(form.action, { ...asked, signal: AbortSignal.timeout(PATIENCE_MS) }).catch(() => null);
  if (!answer) return unsent(form);
  if (answer.status === 401) return location.assign("/signin");
  if (answer.status !== 204) return say(await sentence(answer));
  if (document.body.dataset.coverMin && !covered) return location.assign(reasonAt(form));
  stopped(form);
}

function stopped(form) {
  if (document.body.dataset.coverMin) say("The job is STOPPED. ", reasonAt(form));
  else say("The job is STOPPED. Give the reason after signing in.");
  for (const other of [...document.forms]) if (other.action === form.action) other.remove();
}

function reasonAt(form) {
  return form.dataset.then ?? form.action.replace(STOP, "/now");
}

function unsent(form) {
  const kept = !document.dispatchEvent(new CustomEvent("changeout:unsent", { detail: form, cancelable: true }));
  if (!kept) say("NOT stopped: the server is out of reach and this tablet keeps nothing. Stop by voice.");
}

async function sentence(answer) {
  if (answer.headers.get("content-type")?.startsWith("text/plain")) return answer.text();
  return "The server did NOT stop the job and cannot say why. Stop by voice; then look at the page of the job.";
}

function say(text, address) {
  const told = document.createElement("p");
  told.className = "told told-refused wide";
  told.setAttribute("role", "alert");
  told.textContent = text;
  if (address) told.append(Object.assign(document.createElement("a"), { href: address, textContent: "Give the reason" }));
  document.querySelector("main").prepend(told);
  window.scrollTo({ top: 0 });
}
