// What a page is examined for. Evaluated by the browser tests inside the page; returns plain sentences, none if all is well.
({ work, controlPx, otherPx, leastTextPx }) => {
  const found = [];
  const told = (element) => {
    const words = (element.textContent || element.value || element.getAttribute("aria-label") || "").trim().replace(/\s+/g, " ");
    return `<${element.tagName.toLowerCase()} class="${element.getAttribute("class") || ""}"> “${words.slice(0, 50)}”`;
  };
  const seen = (element) => element.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true }) && !element.closest(".unseen, title");

  // Colours: what lies behind a text is mixed from every layer under it, down to the page.
  const parse = (colour) => {
    const parts = colour.match(/[\d.]+/g);
    if (!parts) return [0, 0, 0, 0];
    const [r, g, b, a = 1] = parts.map(Number);
    return [r, g, b, a];
  };
  const over = (top, under) => [0, 1, 2].map((n) => top[n] * top[3] + under[n] * (1 - top[3])).concat(1);
  const behind = (element) => {
    const layers = [];
    for (let at = element; at; at = at.parentElement) {
      layers.push(parse(getComputedStyle(at).backgroundColor));
      if (layers.at(-1)[3] === 1) break;
    }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255, 1]);
  };
  const luminance = (colour) => {
    const [r, g, b] = colour.map((part) => part / 255).map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (one, other) => {
    const [light, dark] = [luminance(one), luminance(other)].sort((a, b) => b - a);
    return (light + 0.05) / (dark + 0.05);
  };

  // Sideways scroll, and anything that sticks out of the page or is cut off by what holds it.
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth) found.push(`the page scrolls sideways: ${root.scrollWidth} of ${root.clientWidth} px`);
  for (const element of document.body.querySelectorAll("*")) {
    if (!seen(element) || element.closest("svg, option")) continue;
    const box = element.getBoundingClientRect();
    if (box.width && (box.left < -0.5 || box.right > root.clientWidth + 0.5)) found.push(`sticks out sideways: ${told(element)}`);
    if (element.matches("input, select, textarea")) continue;
    const style = getComputedStyle(element);
    if (style.overflowX !== "visible" && element.scrollWidth > element.clientWidth + 1) found.push(`cut off sideways: ${told(element)}`);
    if (style.textOverflow === "ellipsis") found.push(`may be cut off: ${told(element)}`);
  }
  for (const svg of document.querySelectorAll("svg")) {
    const frame = svg.getBoundingClientRect();
    for (const text of svg.querySelectorAll("text")) {
      const box = text.getBoundingClientRect();
      if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 || box.bottom > frame.bottom + 1) found.push(`cut off in the drawing: ${told(text)}`);
    }
  }

  // Every text: contrast at least 7 to 1; on work screens at least 5 mm.
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const holders = new Set();
  while (walker.nextNode()) if (walker.currentNode.nodeValue.trim()) holders.add(walker.currentNode.parentElement);
  for (const field of document.querySelectorAll("input.entry, textarea, select, .file")) holders.add(field);
  for (const element of holders) {
    if (element.closest("script, style, option, defs") || !seen(element)) continue;
    const style = getComputedStyle(element);
    const inDrawing = element instanceof SVGElement;
    const ratio = contrast(over(parse(inDrawing ? style.fill : style.color), behind(element)), behind(element));
    if (ratio < 7) found.push(`contrast ${ratio.toFixed(2)}: ${told(element)}`);
    const drawn = inDrawing ? element.getScreenCTM().a : 1;
    const size = parseFloat(style.fontSize) * drawn;
    if (size < leastTextPx - 0.05) found.push(`text of ${size.toFixed(1)} px: ${told(element)}`);
  }

  // Ids, and a label for every field.
  const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
  for (const id of new Set(ids.filter((id, place) => ids.indexOf(id) !== place))) found.push(`the id ${id} stands more than once`);
  for (const field of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
    if (!field.labels.length) found.push(`a field without a label: ${field.outerHTML.slice(0, 80)}`);
  }

  // Where fingers go.
  for (const element of document.querySelectorAll("a[href], button, select, summary, input:not([type=hidden]), textarea")) {
    if (!seen(element) || element.closest("p:not(.buttons), li, dd, td, .told") && element.tagName === "A") continue;
    const box = (element.closest("label.choice") || element).getBoundingClientRect();
    if (!box.width) continue;
    const least = work && element.matches(".primary, .stop, .second, .entry, .choice input, .file") ? controlPx : otherPx;
    if (box.height < least - 0.5) found.push(`only ${box.height.toFixed(0)} px high: ${told(element)}`);
    if (box.width < 44) found.push(`only ${box.width.toFixed(0)} px wide: ${told(element)}`);
  }
  // Two STOPs are of two jobs: a glove that meant one must not meet the other (15 px, our figure).
  const stops = [...document.querySelectorAll(".stop")].filter(seen).map((element) => element.getBoundingClientRect());
  for (const [place, box] of stops.entries()) {
    const below = stops[place + 1];
    if (below && below.top > box.top && below.top - box.bottom < 15) found.push("a STOP lies on another one");
  }
  if (work) {
    for (const control of document.querySelectorAll(".work-controls .primary, .work-controls .stop, .work-controls .second")) {
      const box = control.getBoundingClientRect();
      if (box.top < (innerHeight * 2) / 3) found.push(`not in the lower third: ${told(control)}`);
      if (box.bottom > innerHeight || box.right > innerWidth || box.left < 0) found.push(`not wholly in view: ${told(control)}`);
      const middle = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
      if (!control.contains(middle)) found.push(`covered by something: ${told(control)}`);
    }
    const floor = document.querySelector(".work-foot").getBoundingClientRect().top;
    for (const element of document.querySelectorAll(".hazard, .step-head .action")) {
      const box = element.getBoundingClientRect();
      if (box.top < 0 || box.bottom > floor) found.push(`not in view without scrolling: ${told(element)}`);
    }
  }
  return found;
}
