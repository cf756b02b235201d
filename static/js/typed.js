// A walk around a housing is left and returned to, so what was typed on a form with `data-typed` stays in this tab until
// the form is taken; what the form is about stands in that word, so that it ends with what it was typed for. By person;
// never a secret, an id or a file. An answer to a value that the page shows no more is not one to what it shows now.
const form = document.querySelector("form[data-typed]");
const OURS = "typed ";
const NEVER = new Set(["file", "hidden", "password", "submit"]);
const key = form && `${OURS}${document.body.dataset.person} ${form.dataset.typed}`;

function fields() {
  return [...form.elements].filter((field) => field.name && field.name !== "person" && !NEVER.has(field.type));
}

function shown(field) {
  const beside = field.type === "radio" && form.elements[field.name.replace(/^p\./, "shown.")];
  return beside ? beside.value : "";
}

function keep() {
  const typed = fields()
    .filter((field) => (field.type === "radio" ? field.checked : field.value))
    .map((field) => [field.name, field.value, shown(field)]);
  if (typed.length) sessionStorage.setItem(key, JSON.stringify(typed));
  else sessionStorage.removeItem(key);
}

function fill(typed) {
  for (const [name, value, was] of typed) {
    for (const field of fields().filter((one) => one.name === name)) {
      if (field.type !== "radio") field.value = value;
      else if (field.value === value && shown(field) === was) field.checked = true;
    }
  }
  document.getElementById("typed-before").hidden = false;
}

if (form) {
  const about = form.dataset.typed.replace(/ \d+$/, " ");
  const past = Object.keys(sessionStorage).filter((name) => name.startsWith(OURS) && name.includes(` ${about}`));
  past.filter((name) => !name.endsWith(` ${form.dataset.typed}`)).forEach((name) => sessionStorage.removeItem(name));
  const held = sessionStorage.getItem(key);
  if (held && !document.querySelector(".told-refused")) fill(JSON.parse(held));
  else if (document.querySelector(".told-refused")) keep();
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
}
