// Shows how fast the parts turn while a vehicle is filled in, and only the fields that its layout has.
"use strict";
(() => {
  const layout = document.getElementById("layout");
  const saved = document.getElementById("vehicle");
  const fillIn = document.getElementById("fill-in");
  const table = document.getElementById("rates");
  const notes = document.getElementById("rates-notes");
  const trouble = document.getElementById("rates-trouble");
  const names = ["name", "layout", "tire_size", "tire_circumference", "rear_size", "axle_ratio", "front_ratio",
    "independent", "gears", "final_drive", "low_range", "pieces", "cylinders", "strokes", "motor_ratio",
    "accessories", "limits"];
  let timer = 0;
  let asked = 0;

  function fit() {
    for (const field of document.querySelectorAll("[data-for]")) {
      field.hidden = !field.dataset.for.split(" ").includes(layout.value);
    }
    if (fillIn) fillIn.hidden = saved.value !== "";
  }

  function question() {
    const query = new URLSearchParams();
    if (saved && saved.value) query.set("vehicle", saved.value);
    else for (const name of names) query.set(name, document.getElementById(name).value);
    for (const name of ["speed", "gear"]) {
      const text = document.getElementById(name).value.trim();
      // "about 60 mph" and "55-65 mph" are fine for the drive; the table takes the last speed said
      query.set(name, name === "speed" ? text.replace(/^(about|around|roughly|~)\s*/i, "").replace(/^.*(-|–|to)\s*(?=[\d])/i, "") : text);
    }
    return query;
  }

  function cell(kind, text) {
    const made = document.createElement(kind);
    made.textContent = text;
    if (kind === "td") made.className = "number";
    else made.scope = "row";
    return made;
  }

  function show(view) {
    table.hidden = false;
    table.caption.textContent = view.title;
    table.tBodies[0].replaceChildren(...view.rows.map((row) => {
      const line = document.createElement("tr");
      line.append(cell("th", row[0]), ...row.slice(1).map((text) => cell("td", text)));
      return line;
    }));
    notes.replaceChildren(...view.notes.map((note) => {
      const item = document.createElement("li");
      item.textContent = note[0].toUpperCase() + note.slice(1);
      return item;
    }));
  }

  async function ask() {
    const mine = ++asked;
    const begun = (saved && saved.value) || document.getElementById("tire_size").value || document.getElementById("tire_circumference").value;
    if (!begun) {
      table.hidden = true;
      notes.replaceChildren();
      trouble.textContent = "";
      return;
    }
    try {
      const answer = await fetch(`/api/rates?${question()}`, { headers: { Accept: "application/json" } });
      const view = await answer.json();
      if (mine !== asked) return;
      trouble.textContent = view.error || "";
      if (!view.error) show(view);
    } catch {
      if (mine === asked) trouble.textContent = "No connection to the shop page.";
    }
  }

  function soon() {
    fit();
    clearTimeout(timer);
    timer = setTimeout(ask, 250);
  }
  for (const name of [...names, "speed", "gear", "vehicle"]) {
    const field = document.getElementById(name);
    if (field) field.addEventListener("input", soon);
  }
  fit();
  ask();
})();
