// Asks the server for picture and words of what is typed so far. Nothing is worked out here.
"use strict";
(() => {
  const form = document.getElementById("bench-form");
  const answer = document.getElementById("answer");
  const sentence = document.getElementById("sentence");
  const drawings = document.getElementById("drawings");
  const numbers = document.getElementById("numbers");
  const notes = document.getElementById("notes");
  const middle = document.querySelector('[data-live="/bench/runout/live"] .ring-middle');
  const setOut = document.getElementById("set-places");
  const sign = document.getElementById("change-sign");
  const cells = [...form.querySelectorAll(".cell input")];
  let timer = 0;
  let asked = 0;
  let lastCell = cells[0];

  function drawn(text) {
    const parsed = new DOMParser().parseFromString(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" '), "image/svg+xml");
    return document.importNode(parsed.documentElement, true);
  }

  function element(kind, text) {
    const made = document.createElement(kind);
    made.textContent = text;
    return made;
  }

  // A field is blamed while it is typed only where something stands in it: an empty one is not wrong yet.
  function blame(trouble) {
    for (const place of form.querySelectorAll("[data-wrong]")) {
      const field = document.getElementById(place.dataset.wrong);
      const said = field && (field.value.trim() || field.type === "checkbox") ? trouble[place.dataset.wrong] || "" : "";
      place.textContent = said;
      place.hidden = !said;
      if (field) {
        if (said) field.setAttribute("aria-invalid", "true");
        else field.removeAttribute("aria-invalid");
      }
    }
    for (const place of form.querySelectorAll("[data-cells]")) {
      const bad = cells.find((cell) => cell.name.startsWith(place.dataset.cells) && trouble[cell.name]);
      place.textContent = bad ? trouble[bad.name] : "";
      place.hidden = !bad;
    }
    for (const cell of cells) {
      if (trouble[cell.name]) cell.setAttribute("aria-invalid", "true");
      else cell.removeAttribute("aria-invalid");
    }
  }

  function show(view) {
    const next = document.getElementById("next");
    if (next) next.hidden = true;
    answer.classList.remove("thinking");
    blame(view.trouble);
    if (middle && view.pictures.length) middle.replaceChildren(drawn(view.pictures[0]));
    answer.hidden = !view.sentence;
    if (!view.sentence) return;
    const mark = element("span", view.sentence);
    mark.className = "mark";
    sentence.replaceChildren(mark);
    drawings.replaceChildren(...view.pictures.map((text) => {
      const figure = document.createElement("figure");
      figure.append(drawn(text));
      return figure;
    }));
    numbers.tBodies[0].replaceChildren(...view.numbers.map((row) => {
      const line = document.createElement("tr");
      const head = element("th", row[0]);
      head.scope = "row";
      line.append(head, element("td", row[1]));
      return line;
    }));
    notes.replaceChildren(...view.notes.map((note) => element("li", note)));
  }

  async function ask() {
    const mine = ++asked;
    const typed = new URLSearchParams(new FormData(form));
    const token = typed.get("csrf_token");
    typed.delete("csrf_token");
    try {
      const reply = await fetch(form.dataset.live, {
        method: "POST", body: typed, headers: { "X-CSRF-Token": token, Accept: "application/json" },
      });
      const view = await reply.json();
      if (mine === asked && view.trouble) show(view);
    } catch {
      // The button still works, and says what is wrong.
    }
  }

  form.addEventListener("input", (event) => {
    if (event.target.id === "count" || event.target.id === "counting" || event.target.id === "pieces" || event.target.id === "job") return;
    answer.classList.add("thinking");
    clearTimeout(timer);
    timer = setTimeout(ask, 300);
  });
  for (const name of ["count", "counting", "pieces"]) {
    const field = document.getElementById(name);
    if (field) field.addEventListener("change", () => form.requestSubmit(setOut));
  }
  if (setOut) setOut.hidden = true;

  // From cell to cell with Enter; a sign for keyboards that have none.
  cells.forEach((cell, i) => {
    cell.addEventListener("focus", () => { lastCell = cell; cell.select(); });
    cell.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || i + 1 >= cells.length) return;
      event.preventDefault();
      cells[i + 1].focus();
    });
  });
  if (sign && lastCell) {
    sign.hidden = false;
    sign.addEventListener("click", () => {
      lastCell.value = lastCell.value.startsWith("-") ? lastCell.value.slice(1) : `-${lastCell.value}`;
      lastCell.dispatchEvent(new Event("input", { bubbles: true }));
      lastCell.focus();
    });
  }
})();
