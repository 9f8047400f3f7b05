// Drag and drop, a bar while the file is sent, and a form that stays as it is when something must be mended.
"use strict";
(() => {
  const form = document.getElementById("upload-form");
  const files = document.getElementById("recording");
  const drop = document.getElementById("drop");
  const words = document.getElementById("sending-words");
  const button = document.getElementById("send");

  document.getElementById("drop-words").hidden = false;
  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.add("over");
    });
  }
  for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) files.files = event.dataTransfer.files;
  });

  function complain(sentence) {
    const said = document.createElement("p");
    said.className = "problem";
    said.setAttribute("role", "alert");
    said.textContent = sentence;
    document.getElementById("trouble").replaceChildren(said);
    said.scrollIntoView({ block: "center" });
    button.disabled = false;
    document.getElementById("sending").hidden = true;
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const most = Number(form.dataset.most);
    const size = [...files.files].reduce((sum, file) => sum + file.size, 0);
    if (size > most) return complain(`This is ${Math.round(size / 1e6)} MB; the page takes up to ${Math.round(most / 1e6)} MB: cut it to the drive that shakes.`);
    if (files.files.length > Number(form.dataset.files)) return complain(`Send at most ${form.dataset.files} recordings at once.`);
    document.getElementById("trouble").replaceChildren();
    document.getElementById("sending").hidden = false;
    button.disabled = true;
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("X-CSRF-Token", form.elements.csrf_token.value);
    request.upload.addEventListener("progress", (progress) => {
      if (!progress.lengthComputable) return;
      document.getElementById("sent").value = progress.loaded / progress.total;
      const share = Math.round((100 * progress.loaded) / progress.total);
      const text = share < 100 ? `Sending, ${share}%` : "Sent";
      if (words.textContent !== text) words.textContent = text;
    });
    request.addEventListener("load", () => {
      let said = {};
      try {
        said = JSON.parse(request.responseText);
      } catch {
        said = { error: "The shop page did not understand; load it again." };
      }
      if (said.next) return location.assign(said.next);
      if (said.again) document.getElementById("again").value = said.again;
      if (said.again) files.required = false;
      complain(said.error || "The shop page did not understand; load it again.");
    });
    request.addEventListener("error", () => complain("The connection broke while sending; nothing is lost here: try again."));
    request.send(new FormData(form));
  });
  // a page taken from the browser's memory must be usable again
  addEventListener("pageshow", () => {
    button.disabled = false;
    document.getElementById("sending").hidden = true;
  });
})();
