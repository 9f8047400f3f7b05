// Hover, tap and keyboard for the pictures of a result: what is this line? The page says the same without it.
"use strict";

// One recording's pictures and letters; several recordings on a page do not share their letters.
function wire(place) {
  const figures = [...place.querySelectorAll(".figure")];
  const said = place.querySelector(".said");
  if (!figures.length || !said) return;

  const lines = new Map(); // letter or number -> {text, button}
  let held = ""; // the letter that was chosen, kept until another one is

  for (const item of place.querySelectorAll(".legend li")) {
    const letter = item.dataset.letter;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "legend-button";
    button.setAttribute("aria-pressed", "false");
    button.append(...item.childNodes);
    item.append(button);
    lines.set(letter, { text: button.querySelector(".legend-text").textContent, button });
    button.addEventListener("click", () => hold(held === letter ? "" : letter));
    button.addEventListener("focus", () => show(letter));
    button.addEventListener("blur", () => show(held));
    button.addEventListener("pointerenter", () => show(letter));
    button.addEventListener("pointerleave", () => show(held));
  }

  const keyOf = (element) => element.dataset.letter || element.dataset.number || "";

  function hold(letter) {
    held = letter;
    for (const [key, line] of lines) line.button.setAttribute("aria-pressed", String(key === letter));
    show(letter);
  }

  function show(letter) {
    for (const figure of figures) {
      figure.classList.toggle("picking", letter !== "");
      for (const element of figure.querySelectorAll("[data-letter], [data-number]")) {
        element.classList.toggle("picked", letter !== "" && keyOf(element) === letter);
      }
    }
    const line = lines.get(letter);
    say(line ? `${letter}: ${line.text}` : "");
  }

  function say(text) {
    said.hidden = false;
    said.classList.toggle("says", Boolean(text));
    said.textContent = text || "Touch a letter or a line.";
  }

  // What lies nearest to a place on the axis: a letter, a number, a peg; else the bare frequency.
  function at(figure, event) {
    const box = figure.getBoundingClientRect();
    const unit = figure.viewBox.baseVal.width / box.width;
    const x = (event.clientX - box.left) * unit;
    const { low, top, left, right } = numbers(figure.dataset);
    if (x < left || x > right) return null;
    const hz = low * (top / low) ** ((x - left) / (right - left));
    const direct = event.target.closest("[data-letter], [data-number], .peg");
    if (direct) return { x, hz, element: direct };
    const near = [...figure.querySelectorAll(".lettered[data-hz], .other")]
      .map((element) => ({ element, off: Math.abs(across(figure, Number(element.dataset.hz)) - x) }))
      .sort((a, b) => a.off - b.off)[0];
    return { x, hz, element: near && near.off < 14 * unit ? near.element : null };
  }

  function across(figure, hz) {
    const { low, top, left, right } = numbers(figure.dataset);
    return left + (Math.log(hz / low) / Math.log(top / low)) * (right - left);
  }

  function numbers(data) {
    return { low: Number(data.low), top: Number(data.top), left: Number(data.left), right: Number(data.right) };
  }

  function point(figure, found) {
    for (const other of figures) {
      const cursor = other.querySelector(".cursor");
      const same = other.dataset.left === figure.dataset.left;
      cursor.classList.toggle("shown", Boolean(found) && same);
      if (found) cursor.setAttribute("transform", `translate(${found.x.toFixed(1)} 0)`);
    }
  }

  for (const figure of figures) {
    figure.addEventListener("pointermove", (event) => {
      if (event.pointerType === "touch") return;
      const found = at(figure, event);
      point(figure, found);
      if (!found) return;
      const key = found.element ? keyOf(found.element) : "";
      if (key) show(key);
      else if (found.element) tell(found.element.querySelector("title").textContent);
      else tell(elsewhere(figure, found.hz));
    });
    figure.addEventListener("pointerleave", () => { point(figure, null); show(held); });
    figure.addEventListener("click", (event) => {
      const found = at(figure, event);
      point(figure, found);
      if (!found) return;
      const key = found.element ? keyOf(found.element) : "";
      if (key) hold(key);
      else {
        hold("");
        tell(found.element ? found.element.querySelector("title").textContent : elsewhere(figure, found.hz));
      }
    });
  }

  // A place without a letter: who passed there while the speed changed.
  function elsewhere(figure, hz) {
    const passed = [...figure.querySelectorAll(".lettered[data-from]")]
      .filter((element) => Number(element.dataset.from) <= hz && hz <= Number(element.dataset.to))
      .map((element) => element.dataset.letter);
    const who = passed.length ? `${passed.join(" and ")} passed here as the speed changed` : "none of the lettered rates";
    return `${hz.toFixed(1)} Hz: ${who}.`;
  }

  function tell(text) {
    show("");
    say(text);
  }

  show("");
}

for (const place of document.querySelectorAll(".pictures")) wire(place);
