// Work on forms with `data-mark`: stamp the tablet's clock at the moment of the press, and take one press once.
// A double tap must not mark the step that the first tap brings up, so the guard looks at any mark just made,
// not only at this form. STOP is never held back by another press: only by itself.
const PRESS_GUARD_MS = 400;
const STOP = /\/stop$/;
let lastPress = -Infinity;

function stamp(form) {
  const field = form.querySelector("input[name=device_at]");
  if (field) field.value = new Date().toISOString();
}

function tooSoon(form, now) {
  const own = now - Number(form.dataset.pressed || -Infinity) < PRESS_GUARD_MS;
  return own || (!STOP.test(form.action) && now - lastPress < PRESS_GUARD_MS);
}

function guard(event) {
  const form = event.target;
  if (!form.matches || !form.matches("form[data-mark]")) return;
  const now = performance.now();
  if (tooSoon(form, now)) {
    event.preventDefault();
    event.stopImmediatePropagation();
    return;
  }
  lastPress = now;
  form.dataset.pressed = String(now);
  stamp(form);
}

document.addEventListener("submit", guard, true);

// A scanner types the address that stands in a code; what the label reads is the end of it, and that is what shows.
document.addEventListener("change", ({ target }) => {
  const found = target.matches("[data-label]") && /^.*\/at\/(?:housing|point)\/([^/]+)$/.exec(target.value.trim());
  try { if (found) target.value = decodeURIComponent(found[1]); } catch { /* the server says what it reads */ }
});
