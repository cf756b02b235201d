// After a piece of the page was swapped: bring its top into view and say what changed to a screen reader.
document.addEventListener("htmx:after:swap", () => {
  const work = document.getElementById("work");
  if (!work) return;
  window.scrollTo({ top: 0 });
  const told = work.querySelector("[data-told]");
  if (told) told.focus({ preventScroll: false });
});
