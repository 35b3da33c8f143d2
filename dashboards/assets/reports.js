/* A report takes some seconds to make: a link to one is followed here, so that the page can say that it is being made,
   that it is there, or why not. A click with a key held down, or another button, is left to the browser. */
(function () {
  "use strict";

  const LINK = 'a[href^="/report/"]';

  /* The place beside a link where it is told how its report gets on; a screen reader says what is put there. */
  function placeOf(link) {
    const list = link.closest("ul") || link;
    const next = list.nextElementSibling;
    if (next && next.classList.contains("making")) return next;
    const place = document.createElement("p");
    place.className = "making quiet";
    place.setAttribute("role", "status");
    list.after(place);
    return place;
  }

  function fileName(answer) {
    const named = /filename="?([^";]+)/.exec(answer.headers.get("Content-Disposition") || "");
    return named ? named[1] : "report";
  }

  function handOver(content, name) {
    const address = URL.createObjectURL(content);
    const link = Object.assign(document.createElement("a"), { href: address, download: name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
  }

  async function make(link) {
    const place = placeOf(link);
    link.setAttribute("aria-busy", "true");
    const begun = Date.now();
    const words = "Making the report: " + link.textContent;
    const tell = () => {
      const seconds = Math.round((Date.now() - begun) / 1000);
      place.textContent = words + (seconds ? ", " + seconds + " s so far …" : " …");
    };
    // Told at once and then every five seconds: as often as anybody wants to hear it.
    setTimeout(tell);
    const telling = setInterval(tell, 5000);
    let told = "The report could not be made: the dashboard does not answer.";
    try {
      const answer = await fetch(link.href);
      if (answer.ok) {
        const name = fileName(answer);
        handOver(await answer.blob(), name);
        told = "The report is there: " + name;
      } else {
        told = "The report could not be made. " + (await answer.text());
      }
    } catch {
      /* told as it is */
    }
    clearInterval(telling);
    link.removeAttribute("aria-busy");
    setTimeout(() => (place.textContent = told));
  }

  document.addEventListener("click", (event) => {
    const link = event.target instanceof Element ? event.target.closest(LINK) : null;
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    if (link.getAttribute("aria-busy") !== "true") make(link);
  });
})();
