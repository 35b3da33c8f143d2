/* The page of a running recording (dashboards/pages/live.py): asks our own server for what is new, shows it, draws the
   lines, and says or beeps a danger. A cursor ("have") goes with every question, so that nothing comes twice and a page
   that slept gets what it missed. Texts from outside are only ever set as text. */
(function () {
  "use strict";

  const EVERY = { waiting: 3000, over: 5000, problem: 5000 }; // ms; a running recording is asked every second
  const USUAL_EVERY = 1000;
  const SOON = 30; // ms; there is more to catch up with
  const AGAIN = 4000; // ms after a question that was not answered
  const PATIENCE = 15000; // ms
  const KEPT = 600; // s of points
  const MOST_DRAWN = 6;
  const HIGH = 100;
  const WIDE = 1000;
  const STATES = {
    catching: "Reading what has been recorded so far …",
    running: "A drive is being recorded.",
    silent: "Nothing has come in for some seconds; the recording goes on.",
    lost: "The link to the car is lost; the recorder tries to get it back.",
    over: "The recording has ended.",
    waiting: "Nothing is being recorded.",
  };

  let page = null; // what belongs to the element #live that is being served
  let timer = null;

  const byId = (id) => document.getElementById(id);

  function make(tag, className, text) {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  }

  /* Only what differs is written, or a screen reader would hear everything again. */
  function say(place, text) {
    if (place && place.textContent !== text) place.textContent = text;
  }

  function fresh(root) {
    return {
      root: root, units: root.dataset.units, have: "", course: 0, state: "", names: {}, order: [], usual: [], values: {}, points: {},
      drawn: chosenInAddress(), minutes: 2, now: 0, received: 0, about: null, danger: "", repeated: -20000, progress: null, told: null,
      rows: {}, lines: {},
    };
  }

  /* Null where nobody has chosen. */
  function chosenInAddress() {
    const query = new URLSearchParams(window.location.search);
    return query.has("show") ? query.getAll("show").filter((key) => key).slice(0, MOST_DRAWN) : null;
  }

  const drawnKeys = () => (page.drawn === null ? page.usual : page.drawn);

  /* Asking. */

  async function ask() {
    const mine = page;
    const course = mine.course;
    const query = new URLSearchParams({ have: mine.have, units: mine.units });
    if (mine.drawn !== null) (mine.drawn.length ? mine.drawn : [""]).forEach((key) => query.append("draw", key));
    const question = mine.root.dataset.feed + "?" + query.toString();
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), PATIENCE);
    try {
      const answer = await fetch(question, { signal: stop.signal, cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      const told = await answer.json();
      if (mine !== page || !mine.root.isConnected || mine.course !== course) return SOON; // something else is wanted now
      return take(told);
    } catch {
      if (mine === page) {
        say(byId("live-state"), "The dashboard does not answer; trying again. What stands here is from before.");
        mine.root.dataset.silent = "yes";
      }
      return AGAIN;
    } finally {
      clearTimeout(late);
    }
  }

  /* One question after the other, never two at once: an answer always fits the cursor that was sent. */
  let asking = false;

  async function tick() {
    clearTimeout(timer);
    if (asking) return;
    const root = byId("live");
    if (!root) {
      page = null;
      return;
    }
    if (!page || page.root !== root) page = fresh(root);
    if (page.units !== root.dataset.units) begin();
    asking = true;
    const pause = await ask();
    asking = false;
    timer = setTimeout(tick, pause);
  }

  /* Ask for everything that is kept, as other signals or other units are wanted. */
  function begin() {
    page.units = page.root.dataset.units;
    page.have = "";
    page.course += 1;
  }

  /* Taking an answer. */

  function take(told) {
    const before = page.state;
    page.state = told.state;
    delete page.root.dataset.silent;
    page.root.dataset.state = told.state;
    if (told.state === "waiting" || told.state === "problem") {
      page.have = told.have || "";
      page.root.dataset.known = "no";
      warnOf(null);
      say(byId("live-facts"), "");
      say(byId("live-state"), told.state === "problem" ? "The recording cannot be read: " + told.told : STATES.waiting);
      return EVERY[told.state];
    }
    page.root.dataset.known = "yes";
    page.have = told.have;
    page.now = told.now;
    page.received = performance.now();
    if (told.anew) {
      if (told.about) page.about = told.about;
      page.names = {};
      page.values = {};
      page.points = {};
      page.told = null;
    }
    Object.assign(page.names, told.names || {});
    Object.assign(page.values, told.values);
    if (told.order) page.order = told.order;
    if (told.usual) page.usual = told.usual;
    for (const [key, [times, numbers]] of Object.entries(told.points)) add(key, times, numbers);
    say(byId("live-state"), STATES[told.state]);
    facts(told);
    signals();
    lines();
    if (told.seen) page.progress = told;
    if (page.progress) progress(page.progress, told.state === "over" ? OVER : told.danger ? NOT_NOW : "");
    if (told.warnings) warnings(told.warnings);
    warnOf(told.danger, told.state === "over");
    if (told.state === "lost" && before !== "lost" && before) sound("soon", STATES.lost);
    if (told.state === "over") over(told);
    return told.more ? SOON : EVERY[told.state] || USUAL_EVERY;
  }

  function add(key, times, numbers) {
    const kept = (page.points[key] = page.points[key] || { t: [], v: [] });
    for (let at = 0; at < times.length; at++) {
      if (kept.t.length && times[at] <= kept.t[kept.t.length - 1]) continue;
      kept.t.push(times[at]);
      kept.v.push(numbers[at]);
    }
    const old = kept.t.findIndex((t) => t > page.now - KEPT);
    if (old > 0) {
      kept.t.splice(0, old);
      kept.v.splice(0, old);
    }
  }

  function clock(seconds) {
    const whole = Math.max(Math.round(seconds), 0);
    const two = (number) => String(number).padStart(2, "0");
    return Math.floor(whole / 3600) + ":" + two(Math.floor(whole / 60) % 60) + ":" + two(whole % 60);
  }

  /* As the server writes numbers: thousands apart, a true minus. */
  function figure(number, digits = 0) {
    const form = { minimumFractionDigits: digits, maximumFractionDigits: digits };
    return number.toLocaleString("en-US", form).replace("-", "−");
  }

  function facts(told) {
    const about = page.about;
    const since = about.since ? ", since " + about.since : "";
    const lamp = told.lamp ? " The engine lamp is on." : "";
    const [now, long] = told.rate;
    say(
      byId("live-facts"),
      `${about.car}${since}, for ${clock(told.now)}. ` +
        (told.state === "over"
          ? ""
          : `${figure(now)} values per second now, ${figure(long)} on average over the last two minutes.`) +
        lamp
    );
  }

  /* The list of all signals; a row is made once and then only its texts change. */

  function age(seconds) {
    if (seconds < 2.5) return "now";
    if (seconds < 120) return Math.round(seconds) + " s ago";
    return Math.round(seconds / 60) + " min ago";
  }

  function row(key) {
    const item = make("li");
    const label = make("label");
    const box = make("input");
    box.type = "checkbox";
    box.dataset.key = key;
    const name = make("span", "", page.names[key].name);
    label.append(box, name);
    const value = make("span", "value");
    const when = make("span", "age");
    item.append(label, value, when);
    return { item: item, box: box, name: name, value: value, when: when };
  }

  function signals() {
    const keys = page.order.filter((key) => page.names[key]);
    for (const key of Object.keys(page.rows)) {
      if (keys.includes(key) && page.rows[key].item.isConnected) continue;
      page.rows[key].item.remove();
      delete page.rows[key];
    }
    list(byId("live-signals"), keys.filter((key) => page.names[key].moves));
    list(byId("live-others"), keys.filter((key) => !page.names[key].moves));
  }

  function list(place, keys) {
    const drawn = drawnKeys();
    keys.forEach((key, at) => {
      const shown = (page.rows[key] = page.rows[key] || row(key));
      if (place.children[at] !== shown.item) place.insertBefore(shown.item, place.children[at] || null);
      const [text, t] = page.values[key] || ["–", 0];
      say(shown.name, page.names[key].name);
      say(shown.value, text);
      say(shown.when, page.state === "over" ? "" : age(page.now - t));
      shown.box.checked = drawn.includes(key);
      shown.box.disabled = !page.names[key].line || (!shown.box.checked && drawn.length >= MOST_DRAWN);
    });
  }

  function choose(key, wanted) {
    const keys = drawnKeys().filter((one) => one !== key);
    page.drawn = wanted ? [...keys, key].slice(0, MOST_DRAWN) : keys;
    const query = new URLSearchParams();
    (page.drawn.length ? page.drawn : [""]).forEach((one) => query.append("show", one));
    window.history.replaceState(window.history.state, "", window.location.pathname + "?" + query.toString());
    begin();
    tick();
  }

  /* Lines. */

  const NS = "http://www.w3.org/2000/svg";

  function line() {
    const figure = make("figure", "live-line");
    const caption = make("figcaption");
    const name = make("span");
    const value = make("b");
    caption.append(name, value);
    const plot = make("div", "plot");
    const ends = make("div", "ends");
    const high = make("span");
    const low = make("span");
    ends.append(high, low);
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", `0 0 ${WIDE} ${HIGH}`);
    svg.setAttribute("preserveAspectRatio", "none");
    svg.setAttribute("role", "img");
    const path = document.createElementNS(NS, "path");
    svg.append(path);
    plot.append(ends, svg);
    figure.append(caption, plot);
    return { figure: figure, name: name, value: value, high: high, low: low, svg: svg, path: path };
  }

  /* A gap is left open: nothing is known of what happened in it. */
  function longestStep(times) {
    const steps = times.slice(1).map((t, at) => t - times[at]).sort((a, b) => a - b);
    return Math.max(5, 4 * (steps[Math.floor(steps.length / 2)] || 0));
  }

  function drawing(times, numbers, low, high) {
    const start = page.now - page.minutes * 60;
    const apart = longestStep(times);
    let text = "";
    for (let at = 0; at < times.length; at++) {
      const x = ((times[at] - start) / (page.minutes * 60)) * WIDE;
      const y = HIGH - ((numbers[at] - low) / (high - low)) * HIGH;
      const joined = at > 0 && times[at] - times[at - 1] <= apart;
      text += (joined ? "L" : "M") + x.toFixed(1) + " " + y.toFixed(1);
      if (!joined && !(at + 1 < times.length && times[at + 1] - times[at] <= apart)) text += "h0.1"; // alone: a dot
    }
    return text;
  }

  function lines() {
    const place = byId("live-lines");
    const keys = drawnKeys().filter((key) => page.names[key]);
    for (const key of Object.keys(page.lines)) {
      if (keys.includes(key) && page.lines[key].figure.isConnected) continue;
      page.lines[key].figure.remove();
      delete page.lines[key];
    }
    keys.forEach((key, at) => {
      const shown = (page.lines[key] = page.lines[key] || line());
      if (place.children[at] !== shown.figure) place.insertBefore(shown.figure, place.children[at] || null);
      draw(key, shown);
    });
    let axis = place.querySelector(".live-axis");
    if (!axis) {
      axis = make("p", "live-axis");
      axis.append(make("span"), make("span"));
    }
    if (place.lastElementChild !== axis) place.append(axis);
    axis.hidden = keys.length === 0;
    say(axis.firstElementChild, page.minutes + " minutes ago");
    say(axis.lastElementChild, page.state === "over" ? "the end" : "now");
  }

  function draw(key, shown) {
    const about = page.names[key];
    const all = page.points[key] || { t: [], v: [] };
    const from = all.t.findIndex((t) => t >= page.now - page.minutes * 60);
    const times = from < 0 ? [] : all.t.slice(from);
    const numbers = from < 0 ? [] : all.v.slice(from);
    const value = (page.values[key] || ["–"])[0];
    say(shown.name, about.name);
    say(shown.value, value);
    if (!times.length) {
      shown.path.setAttribute("d", "");
      say(shown.high, "");
      say(shown.low, "");
      shown.svg.setAttribute("aria-label", `${about.name}: nothing in the last ${page.minutes} minutes`);
      return;
    }
    const least = Math.min(...numbers);
    const most = Math.max(...numbers);
    const room = Math.max(about.stretch - (most - least), 0) / 2;
    const low = least >= 0 ? Math.max(least - room, 0) : least - room; // a speed is not drawn as if it could be negative
    const high = low + Math.max(most - least, about.stretch, most - low);
    const said = (number) => figure(number, about.digits);
    shown.path.setAttribute("d", drawing(times, numbers, low, high));
    say(shown.high, said(high));
    say(shown.low, said(low));
    shown.svg.setAttribute(
      "aria-label",
      `${about.name}, last ${page.minutes} minutes: between ${said(least)} and ${said(most)}, now ${value}`
    );
  }

  /* What was seen, what is left. */

  function fill(place, items) {
    const text = JSON.stringify(items.map((one) => one.textContent));
    if (place.dataset.shown === text) return;
    place.dataset.shown = text;
    place.replaceChildren(...items);
  }

  function sentences(list) {
    const made = make("ul");
    made.append(...list.map((one) => make("li", "", one)));
    return made;
  }

  /* Nobody is sent on while the engine is in danger. */
  const NOT_NOW = "Not now: first what the warning says.";

  const OVER = "The page of the drive says what the next one should add.";

  function progress(told, instead) {
    const rows = told.seen.map(([name, words, enough]) => {
      const item = make("li");
      const state = make("span", "state " + (enough ? "tick" : "ring"));
      const shape = make("span", "shape " + (enough ? "tick" : "ring"));
      shape.setAttribute("aria-hidden", "true");
      state.append(shape, document.createTextNode(name));
      item.append(state, make("span", "", words));
      return item;
    });
    fill(byId("live-seen"), rows);
    const left = told.left.length ? [sentences(told.left)] : [make("p", "", "Nothing more is needed from this drive.")];
    if (instead) return fill(byId("live-left"), [make("p", "", instead)]);
    if (told.later.length) left.push(make("h3", "", "On another day"), sentences(told.later));
    fill(byId("live-left"), left);
  }

  function warnings(list) {
    const told = list.length ? list.map((one) => make("li", "", one.text)) : [make("li", "quiet", "None so far.")];
    fill(byId("live-warnings"), told);
    if (page.told !== null) {
      for (const one of list) {
        const isDanger = page.danger !== ""; // a danger speaks for itself
        if (one.t > page.told && !isDanger) sound(one.urgency, one.text.replace(/^[0-9:]+ /, ""));
      }
    }
    page.told = list.reduce((latest, one) => Math.max(latest, one.t), -1);
  }

  function over(told) {
    byId("live-drive").setAttribute("href", page.about.drive);
    byId("live-newer").hidden = !told.newer;
  }

  /* Dangers: large, at once, and again while it lasts. */

  const REPEAT = 20000; // ms

  /* An engine is as hot after the end of its recording as before: then the warning stays, and is silent. */
  function warnOf(danger, ended = false) {
    const place = byId("live-danger");
    const kind = danger ? danger.urgency + danger.kind + (ended ? " at the end" : "") : "";
    if (kind !== page.danger) {
      page.danger = kind;
      page.repeated = -REPEAT;
      place.replaceChildren();
      if (danger) {
        place.dataset.urgency = danger.urgency;
        const title = ended ? "At the end of the recording: " + danger.title : danger.title;
        place.append(make("p", "title", title), ...danger.lines.map((one) => make("p", "", one)));
      }
    }
    if (danger && !ended && performance.now() - page.repeated >= REPEAT) {
      page.repeated = performance.now();
      sound(danger.urgency, danger.title + " " + danger.lines.join(" "));
    }
  }

  /* Sound. */

  let hearing = null; // the browser's sound; made by a touch, or it stays silent

  const isOn = (id) => Boolean(byId(id) && byId(id).checked);

  /* Only voices that speak on this machine: others would send the words away. */
  function voice() {
    if (!window.speechSynthesis) return null;
    const own = window.speechSynthesis.getVoices().filter((one) => one.localService);
    return own.find((one) => one.lang.startsWith("en")) || null;
  }

  function speak(text) {
    const chosen = voice();
    if (!chosen) return false;
    const said = new SpeechSynthesisUtterance(text);
    said.voice = chosen;
    said.lang = chosen.lang;
    window.speechSynthesis.cancel();
    window.speechSynthesis.speak(said);
    return true;
  }

  function beep(urgency) {
    if (!hearing) return;
    const times = urgency === "stop" ? 5 : 2;
    for (let at = 0; at < times; at++) {
      const tone = hearing.createOscillator();
      const loudness = hearing.createGain();
      const start = hearing.currentTime + at * 0.35;
      tone.frequency.value = urgency === "stop" ? 1100 : 760;
      loudness.gain.setValueAtTime(0.3, start);
      loudness.gain.setTargetAtTime(0, start + 0.2, 0.02);
      tone.connect(loudness).connect(hearing.destination);
      tone.start(start);
      tone.stop(start + 0.3);
    }
  }

  function sound(urgency, text) {
    if (isOn("live-beep")) beep(urgency);
    if (isOn("live-speak")) speak(text);
  }

  function switched() {
    if (isOn("live-beep") && !hearing && window.AudioContext) hearing = new AudioContext();
    if (hearing) hearing.resume();
    const silent = isOn("live-speak") && !voice();
    const words = silent ? "This browser has no English voice that works offline: use the beep." : "";
    say(byId("live-sound-told"), words);
  }

  function tryIt() {
    switched();
    if (!isOn("live-beep") && !isOn("live-speak")) {
      say(byId("live-sound-told"), "Tick one of the two first.");
      return;
    }
    sound("soon", "Warnings are spoken like this.");
  }

  if (window.speechSynthesis) window.speechSynthesis.addEventListener("voiceschanged", () => page && switched());

  document.addEventListener("change", (event) => {
    if (!page) return;
    const at = event.target;
    if (at.closest(".live-signals")) choose(at.dataset.key, at.checked);
    if (at.id === "live-speak" || at.id === "live-beep") setTimeout(switched, 0);
  });

  document.addEventListener("click", (event) => {
    if (!page || !event.target.closest) return;
    if (event.target.closest("#live-try")) tryIt();
    const button = event.target.closest(".live-window");
    if (!button) return;
    page.minutes = Number(button.dataset.minutes);
    for (const one of document.querySelectorAll(".live-window")) one.setAttribute("aria-pressed", String(one === button));
    if (page.about) lines();
  });

  /* A page that wakes up asks at once. */
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && page) tick();
  });

  new MutationObserver(() => {
    const root = byId("live");
    if (root && (!page || page.root !== root || page.units !== root.dataset.units)) tick();
  }).observe(document.documentElement, { childList: true, subtree: true, attributeFilter: ["data-units"] });
})();
