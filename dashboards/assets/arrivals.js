/* Handing in a file: the bytes go to our own server as they are, and the page (dashboards/pages/new_drive.py) learns what
   the file is called there. One at a time: whoever chooses another file, or stops, ends what is still on its way. */
(function () {
  "use strict";

  const MEGABYTE = 1000000;
  const STOPPED = "Stopped. Nothing was kept.";
  let sending = null; // the request that is on its way
  let arrived = null; // what the server calls the file that came last

  const place = (name) => document.getElementById(name);
  const set = (name, values) => window.dash_clientside.set_props(name, values);

  function say(text) {
    if (place("arriving")) place("arriving").textContent = text;
    offerToStop();
  }

  /* As long as a file is on its way or being read. */
  function offerToStop() {
    const button = place("stop-arrival");
    if (button) button.hidden = !sending && !place("preview-state").textContent;
  }

  function forget() {
    if (sending) sending.abort();
    if (arrived) fetch("/arrivals/" + encodeURIComponent(arrived) + "/stop", { method: "POST" }).catch(() => {});
    sending = arrived = null;
  }

  function handIn(files) {
    const [file] = files;
    forget();
    set("preview", { children: [] });
    const most = Number(place("drop").dataset.most);
    if (file.size > most) {
      const size = Math.ceil(file.size / MEGABYTE);
      return say(`${file.name} has ${size} MB, and at most ${most / MEGABYTE} MB are taken here. Import it with obdwatch import.`);
    }
    const begin = files.length > 1 ? `One file at a time: ${file.name}. ` : "";
    const request = new XMLHttpRequest();
    sending = request;
    request.open("POST", "/arrivals?name=" + encodeURIComponent(file.name));
    request.upload.onprogress = (event) => {
      if (sending === request && event.lengthComputable) say(`${begin}Handing in: ${Math.round((100 * event.loaded) / event.total)} %`);
    };
    request.onerror = () => end(request, "The file did not arrive: the dashboard does not answer.");
    request.onload = () => {
      let answer = {};
      try {
        answer = JSON.parse(request.responseText);
      } catch {
        /* said below */
      }
      if (!answer.arrival) return end(request, answer.problem || "The file was refused; it may be too large.");
      if (!end(request, begin)) return;
      arrived = answer.arrival;
      set("arrived", { data: arrived });
    };
    say(begin + "Handing in …");
    request.send(file);
  }

  /* Whether it was the request that is waited for. */
  function end(request, text) {
    if (sending !== request) return false;
    sending = null;
    say(text);
    return true;
  }

  /* The chooser is made here, because Dash has none; the label around it takes drops. */
  function prepare() {
    offerToStop();
    const room = place("file-place");
    if (!room || room.childElementCount) return;
    const chooser = document.createElement("input");
    chooser.type = "file";
    chooser.id = "file";
    chooser.addEventListener("change", () => {
      if (chooser.files.length) handIn(chooser.files);
    });
    chooser.addEventListener("click", () => (chooser.value = "")); // the same file may be chosen once more
    room.append(chooser);
    const drop = place("drop");
    for (const name of ["dragenter", "dragover"]) {
      drop.addEventListener(name, (event) => {
        event.preventDefault();
        drop.classList.add("over");
      });
    }
    for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      if (event.dataTransfer.files.length) handIn(event.dataTransfer.files);
    });
    place("stop-arrival").addEventListener("click", () => {
      forget();
      say(STOPPED);
      drop.querySelector("input").focus();
    });
  }
  new MutationObserver(prepare).observe(document.documentElement, { childList: true, characterData: true, subtree: true });
})();
