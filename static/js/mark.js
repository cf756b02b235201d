// Work on forms with `data-mark`: stamp the tablet's clock at the moment of the press, and take one press once.
const PRESS_GUARD_MS = 400;

function stamp(form) {
  const field = form.querySelector("input[name=device_at]");
  if (field) field.value = new Date().toISOString();
}

function guard(event) {
  const form = event.target;
  if (!form.matches || !form.matches("form[data-mark]")) return;
  const now = Date.now();
  if (now - Number(form.dataset.pressed || 0) < PRESS_GUARD_MS) {
    event.preventDefault();
    event.stopImmediatePropagation();
    return;
  }
  form.dataset.pressed = String(now);
  stamp(form);
}

document.addEventListener("submit", guard, true);
