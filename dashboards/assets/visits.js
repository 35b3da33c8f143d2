/* A part of the plan is taken with the mouse and dropped on another visit: it carries the addresses it may lead to
   (dashboards/visits_picture.py), and dropping it is going to one of them. Links do the same for keys and fingers. */
(function () {
  "use strict";

  const TYPE = "application/x-obdwatch-part";
  let ways = null; // addresses by the number of the visit, while a part is dragged

  function targetOf(event) {
    return ways && event.target instanceof Element ? event.target.closest("[data-visit]") : null;
  }

  function mark(target) {
    for (const old of document.querySelectorAll("[data-visit].over")) old.classList.remove("over");
    if (target) target.classList.add("over");
  }

  function stop() {
    ways = null;
    mark(null);
    document.documentElement.classList.remove("dragging");
  }

  document.addEventListener("dragstart", (event) => {
    const chip = event.target instanceof Element ? event.target.closest("[data-ways]") : null;
    if (!chip) return;
    ways = JSON.parse(chip.dataset.ways);
    event.dataTransfer.setData(TYPE, chip.dataset.part);
    event.dataTransfer.effectAllowed = "move";
    // Not at once: a page that changes under the mouse ends the dragging in some browsers.
    setTimeout(() => ways && document.documentElement.classList.add("dragging"), 0);
  });

  document.addEventListener("dragover", (event) => {
    const target = targetOf(event);
    const may = target && ways[target.dataset.visit] !== undefined;
    mark(may ? target : null);
    if (!may) return;
    event.preventDefault();
    event.dataTransfer.dropEffect = "move";
  });

  document.addEventListener("drop", (event) => {
    const target = targetOf(event);
    const address = target && ways[target.dataset.visit];
    stop();
    if (!address) return;
    event.preventDefault();
    window.dash_clientside.set_props("address", { href: window.location.origin + address });
    window.scrollTo(0, 0);
  });

  document.addEventListener("dragend", stop);

  document.addEventListener("click", (event) => {
    if (event.target instanceof Element && event.target.closest("#print")) window.print();
  });
})();
