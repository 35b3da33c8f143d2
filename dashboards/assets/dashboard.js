/* What the browser does by itself: where the reader is, the part of the drive in view, light or dark.
   Called by Dash as client-side callbacks (dashboards/app.py); nothing here talks to a server. */
(function () {
  "use strict";

  const skip = () => window.dash_clientside.no_update;
  const ORIGIN = Date.UTC(2000, 0, 1);
  const THEME = "obdwatch-theme";

  /* Seconds from what Plotly writes on the time axis ("2000-01-01 00:03:20.12", the end may be missing). */
  function seconds(text) {
    const full = String(text).replace("T", " ").trim();
    const [day, clock = "00:00"] = full.split(" ");
    const [hours, minutes = "0", rest = "0"] = clock.split(":");
    return (Date.parse(day + "T00:00:00Z") - ORIGIN) / 1000 + hours * 3600 + minutes * 60 + Number(rest);
  }

  function within(start, end, length) {
    const width = Math.min(Math.max(end - start, 0.5), length);
    const first = Math.min(Math.max(start, 0), length - width);
    return { start: first, end: first + width };
  }

  /* The part in view, as the server keeps it too: {start, end} in seconds, or {} for the whole drive. */
  const WHOLE = {};

  function moved(way, now, length) {
    const start = now.start ?? 0;
    const end = now.end ?? length;
    const width = end - start;
    const steps = {
      closer: [start + width / 4, end - width / 4],
      wider: [start - width / 2, end + width / 2],
      earlier: [start - width / 2, end - width / 2],
      later: [start + width / 2, end + width / 2],
    };
    if (way === "whole") return WHOLE;
    const next = within(steps[way][0], steps[way][1], length);
    return next.end - next.start >= length ? WHOLE : next;
  }

  function toPlace(place, length) {
    const around = Math.max((place.end - place.start) * 0.15, 5);
    const heading = document.getElementById("signals-heading");
    if (heading) {
      heading.scrollIntoView({ block: "start" });
      heading.focus({ preventScroll: true });
    }
    return { ...within(place.start - around, place.end + around, length), finding: place.finding, place: place.start };
  }

  function dragged(change) {
    if (!change) return skip();
    if (change["xaxis.autorange"]) return WHOLE;
    const start = change["xaxis.range[0]"] ?? (change["xaxis.range"] || [])[0];
    const end = change["xaxis.range[1]"] ?? (change["xaxis.range"] || [])[1];
    if (start === undefined || end === undefined) return skip();
    return { start: seconds(start), end: seconds(end) };
  }

  function isDark() {
    const chosen = document.documentElement.dataset.theme;
    return chosen ? chosen === "dark" : window.matchMedia("(prefers-color-scheme: dark)").matches;
  }

  /* Bring the button and Mantine's parts in line with the style sheet; returns the name of the scheme. */
  function nameTheme() {
    const button = document.getElementById("theme");
    if (button) button.textContent = isDark() ? "Light" : "Dark";
    return isDark() ? "dark" : "light";
  }

  function stored(name) {
    try {
      return window.localStorage.getItem(name);
    } catch {
      return null; // a browser may forbid it
    }
  }

  /* An address may name a section that is not there before the page is filled: go there as it comes, unless the reader
     has begun to move about. */
  function toSection() {
    const section = window.location.hash.slice(1);
    if (!section) return;
    const watch = new MutationObserver(() => {
      const heading = document.getElementById(section);
      if (!heading) return;
      watch.disconnect();
      heading.scrollIntoView({ block: "start" });
      heading.focus({ preventScroll: true });
    });
    watch.observe(document.documentElement, { childList: true, subtree: true });
    for (const way of ["wheel", "touchmove", "keydown"]) {
      window.addEventListener(way, () => watch.disconnect(), { once: true, passive: true });
    }
  }

  toSection();

  const theme = stored(THEME);
  if (theme === "dark" || theme === "light") document.documentElement.dataset.theme = theme;
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    window.dash_clientside.set_props("mantine", { forceColorScheme: nameTheme() });
  });

  /* What draws pictures is large. A page that has some reads it while the server still works on the page, any other once
     it is there. Dash's part for graphs awaits whatever window.Plotly is, and then fetches nothing itself. */
  const PICTURED = /^\/(drive|part|trends|compare)(\/|$)/;

  function script(address) {
    return new Promise((done, failed) => {
      const element = document.createElement("script");
      element.onload = done;
      element.onerror = () => failed(new Error("did not load: " + address));
      element.src = address;
      document.head.append(element);
    });
  }

  const [graph, plotly] = document.querySelector('meta[name="pictures"]').content.split(" ");
  if (PICTURED.test(window.location.pathname)) {
    document.head.append(Object.assign(document.createElement("link"), { rel: "preload", as: "script", href: plotly }));
  }

  /* Dash has a picture resized when it first sees it and when the page around it grows, and each time Plotly draws it
     anew. One that already has the size of its place is left alone. */
  function resizeOnlyWhatChanged() {
    const plots = window.Plotly.Plots;
    const resize = plots.resize;
    plots.resize = (graph) => {
      const drawn = graph._fullLayout;
      const fits = drawn && [drawn.width - graph.clientWidth, drawn.height - graph.clientHeight].every((by) => Math.abs(by) < 1);
      return fits ? Promise.resolve(graph) : resize(graph);
    };
    return window.Plotly;
  }

  function readPlotly() {
    if (window.Plotly) return;
    script(graph).catch(() => {}); // Dash tries again
    window.Plotly = script(plotly).then(resizeOnlyWhatChanged);
    window.Plotly.catch(() => delete window.Plotly);
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.obdwatch = {
    visit: function (pathname, search, units) {
      return {
        path: window.location.pathname,
        search: window.location.search,
        units: units,
        width: document.documentElement.clientWidth,
      };
    },

    /* Searching is going to an address, so that what was found can be shared and gone back to. */
    search: function (submits, clicks, words) {
      const asked = (words || "").trim();
      if ((!submits && !clicks) || !asked) return skip();
      return window.location.origin + "/codes?words=" + encodeURIComponent(asked);
    },

    announce: function (title) {
      if (!title) return;
      const first = document.title === "obdwatch";
      document.title = title;
      if (!first) document.getElementById("page").focus({ preventScroll: true });
      // Where there are pictures, at once: the server works on them meanwhile, and they need it as they arrive.
      (PICTURED.test(window.location.pathname) || !window.requestIdleCallback ? setTimeout : requestIdleCallback)(readPlotly);
    },

    theme: function (clicks) {
      if (!clicks) return nameTheme();
      const next = isDark() ? "light" : "dark";
      document.documentElement.dataset.theme = next;
      try {
        window.localStorage.setItem(THEME, next);
      } catch {
        /* the choice then lasts as long as the page */
      }
      return nameTheme();
    },

    window: function (change, moves, places, now, length) {
      const cause = window.dash_clientside.callback_context.triggered[0];
      const by = window.dash_clientside.callback_context.triggered_id;
      if (!cause || cause.value === null || cause.value === undefined) return skip();
      if (by === "signals") return dragged(change);
      if (by.type === "move") return moved(by.way, now, length);
      return toPlace(by, length);
    },

    /* Only what differs from the usual view belongs into the address. */
    remember: function (now, chosen, usual) {
      const query = new URLSearchParams();
      if (now.start !== undefined) {
        query.set("from", now.start.toFixed(1));
        query.set("to", now.end.toFixed(1));
      }
      const keys = chosen || [];
      const isUsual = keys.length === usual.length && keys.every((key) => usual.includes(key));
      if (!isUsual) (keys.length ? keys : [""]).forEach((key) => query.append("show", key));
      const text = query.toString();
      window.history.replaceState(window.history.state, "", window.location.pathname + (text ? "?" + text : ""));
    },
  };
})();
