// Asks how far the task is, and goes on to its result.
"use strict";
const gauge = document.getElementById("progress");
const what = document.getElementById("what");

async function look() {
  try {
    const answer = await fetch(`/api/tasks/${gauge.dataset.task}`, { headers: { Accept: "application/json" } });
    const task = await answer.json();
    if (task.next) return location.replace(task.next);
    if (task.state === "failed" || !answer.ok) return location.reload();
    gauge.value = task.share;
    const before = task.ahead ? `, ${task.ahead} before this one` : "";
    const text = task.state === "waiting" ? `Waiting${before}` : task.what.slice(0, 1).toUpperCase() + task.what.slice(1);
    if (what.textContent !== text) what.textContent = text;
  } catch {
    what.textContent = "No connection to the shop page; trying again";
  }
  setTimeout(look, 400);
}
look();
