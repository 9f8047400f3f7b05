// Classroom: reading line, one line at a time, and the page that notices a new question. All works less well without it.
"use strict";

(() => {
  document.documentElement.classList.add("scripted");

  const vehicle = document.getElementById("vehicle-form");
  if (vehicle) vehicle.elements.vehicle.addEventListener("change", () => vehicle.submit());

  // the reading line: one frequency across both pictures, by slider, finger or mouse
  const reading = document.getElementById("reading");
  const figures = [...document.querySelectorAll(".figure-lesson")];
  if (reading && figures.length) {
    const slider = document.getElementById("reading-line");
    const said = document.getElementById("reading-hz");
    const { low, top } = figures[0].dataset;
    const read = () => {
      const share = Number(slider.value) / 1000;
      const hz = Number(low) * (Number(top) / Number(low)) ** share;
      said.textContent = `${hz.toFixed(1)} Hz`;
      slider.setAttribute("aria-valuetext", said.textContent);
      for (const figure of figures) {
        const x = Number(figure.dataset.left) + share * (figure.dataset.right - figure.dataset.left);
        const cursor = figure.querySelector(".cursor");
        cursor.setAttribute("transform", `translate(${x.toFixed(1)} 0)`);
        cursor.classList.add("shown");
      }
    };
    const point = (figure, event) => {
      const box = figure.getBoundingClientRect();
      const x = ((event.clientX - box.left) * figure.viewBox.baseVal.width) / box.width;
      const { left, right } = figure.dataset;
      slider.value = Math.round((1000 * (x - left)) / (right - left));
      read();
    };
    for (const figure of figures) {
      figure.addEventListener("click", (event) => point(figure, event));
      figure.addEventListener("pointermove", (event) => { if (event.buttons) point(figure, event); });
    }
    slider.addEventListener("input", read);
    slider.step = 1;
    reading.hidden = false;
    read();
  }

  // one line at a time
  const stepper = document.getElementById("stepper");
  const boxes = [...document.querySelectorAll(".lines input[type=checkbox]")];
  if (stepper && boxes.length) {
    const shown = document.getElementById("shown-lines");
    stepper.hidden = false;
    stepper.addEventListener("click", (event) => {
      const { step, all } = event.target.dataset;
      if (all) for (const box of boxes) box.checked = all === "on";
      if (!step) return;
      const on = boxes.findIndex((box) => box.checked);
      const next = on < 0 ? (Number(step) > 0 ? 0 : boxes.length - 1) : (on + Number(step) + boxes.length) % boxes.length;
      boxes.forEach((box, i) => { box.checked = i === next; });
      shown.textContent = `Shown: ${boxes[next].dataset.name}`;
    });
  }

  // one order alone, in one player
  const alone = document.getElementById("alone");
  const links = [...document.querySelectorAll(".hear")];
  for (const link of links) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      for (const other of links) other.removeAttribute("aria-current");
      link.setAttribute("aria-current", "true");
      alone.hidden = false;
      document.getElementById("alone-words").textContent = `${link.dataset.name} alone`;
      const player = alone.querySelector("audio");
      player.src = link.href;
      player.play().catch(() => {});
    });
  }

  // only one sound at once
  const sounds = [...document.querySelectorAll("audio")];
  for (const sound of sounds) {
    sound.addEventListener("play", () => { for (const other of sounds) if (other !== sound) other.pause(); });
  }

  // a new question, a reveal, a new answer
  const live = document.getElementById("live");
  if (!live) return;
  const count = document.getElementById("count");
  const standing = document.getElementById("standing");
  let last = "";
  async function look() {
    try {
      const answer = await fetch(live.dataset.state, { headers: { Accept: "application/json" } });
      if (answer.ok) {
        const now = await answer.json();
        if (now.stamp !== live.dataset.stamp) return location.assign(location.pathname);
        const text = `${now.answered} of ${now.students} have answered`;
        if (count.textContent !== text) count.textContent = text;
        if (standing && live.dataset.standing && last && last !== text) await refresh();
        last = text;
      }
    } catch {
      count.textContent = "No connection to the shop page; trying again";
    }
    setTimeout(look, 2000);
  }
  async function refresh() {
    const page = await fetch(live.dataset.standing);
    if (!page.ok || standing.contains(document.activeElement)) return;
    const fresh = new DOMParser().parseFromString(await page.text(), "text/html");
    standing.replaceChildren(...fresh.body.childNodes);
  }
  look();
})();
