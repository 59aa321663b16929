// What the pages do in the browser besides what Dash does: the tab's title, the page's width, what is asked
// of the daemon, and the unit of currents.
(function () {
  "use strict";

  const UNITS = ["mA", "mV", "valve"]; // as logger/units.py has them
  const UNIT_IN_FULL = { mA: "mA a pair", mV: "mV at the resistor", valve: "mA a valve" };
  const KEPT = "soakbench-unit";
  const STOP = "stop";

  function width() {
    return document.documentElement.clientWidth || window.innerWidth;
  }

  let timer = null;
  let told = null;
  let unit = keptUnit();

  // What another program wrote there is no unit, and a browser may keep nothing at all.
  function keptUnit() {
    try {
      const kept = window.localStorage.getItem(KEPT);
      return UNITS.includes(kept) ? kept : UNITS[0];
    } catch (error) {
      return UNITS[0];
    }
  }

  function say(text, trouble) {
    for (const place of document.querySelectorAll(".asked")) {
      place.textContent = text;
      place.classList.toggle("trouble", Boolean(trouble));
    }
  }

  function named(ask, text) {
    return text ? ask + " " + text : ask;
  }

  function meta(name) {
    const element = document.querySelector('meta[name="soakbench-' + name + '"]');
    return element ? element.content : "";
  }

  document.documentElement.dataset.role = meta("role");

  // Whoever's session has ended sees no old figures: the page to log in on comes instead.
  const plainFetch = window.fetch;
  window.fetch = async function (...wanted) {
    const reply = await plainFetch.apply(window, wanted);
    if (reply.status === 401) {
      const here = window.location.pathname.slice(meta("root").length);
      window.location.replace(at("/log-in?ended&to=" + encodeURIComponent(here)));
    }
    return reply;
  };

  async function logOut() {
    const answer = await post("/log-out", {});
    if (answer.state === "done") {
      window.location.replace(at("/log-in"));
    } else {
      say(answer.reason, true);
    }
  }

  // Where an address of ours is, under the sub-path that the pages are served under.
  function at(path) {
    return meta("root") + path;
  }

  // Whatever changes anything goes this way, as an object or, with files, as a form's data. The answer is
  // `{state: "done" | "refused" | "not reached", reason, ...}`, also where none came.
  async function post(path, body) {
    const form = body instanceof FormData;
    const headers = { "X-Soakbench-Token": meta("token") };
    if (!form) {
      headers["Content-Type"] = "application/json";
    }
    let reply;
    try {
      reply = await fetch(at(path), { method: "POST", headers: headers, body: form ? body : JSON.stringify(body) });
    } catch (error) {
      return { state: "not reached", reason: "the dashboard does not answer: see where it was started" };
    }
    try {
      return await reply.json();
    } catch (error) {
      if (reply.status === 413) {
        return { state: "refused", reason: "what was sent is too long" };
      }
      return { state: "refused", reason: "the dashboard answered " + reply.status + ", and gave no reason" };
    }
  }

  // Ask something of the daemon; the answer is shown, and whether it is done returned.
  async function ask(what, text) {
    const wanted = named(what, text);
    say("asked: " + wanted + " …");
    const answer = await post("/ask", { ask: what, text: text });
    const done = answer.state === "done";
    say(answer.state + ": " + wanted + (done ? "" : " (" + answer.reason + ")"), !done);
    return done;
  }

  async function askBy(button) {
    button.disabled = true;
    await ask(button.dataset.ask, button.dataset.text || "");
    button.disabled = false;
  }

  async function mark() {
    const field = document.getElementById("mark-text");
    const text = field ? field.value.trim() : "";
    if (!text) {
      say("a mark needs a text: say what was done, for example tapped V5", true);
      field.focus();
      return;
    }
    if (await ask("mark", text)) {
      window.dash_clientside.set_props("mark-text", { value: "" });
    }
  }

  // What a pair's milliamps are multiplied by to be shown in a unit, as logger/units.py has it.
  function perMilliamp(of, pair) {
    return of === "mV" ? pair.sense_ohm : of === "valve" ? 1 / pair.valves : 1;
  }

  function nextUnit() {
    unit = UNITS[(UNITS.indexOf(unit) + 1) % UNITS.length];
    try {
      window.localStorage.setItem(KEPT, unit);
    } catch (error) {
      // then it holds until the page is left
    }
    sayUnit();
    for (const place of document.querySelectorAll(".shows-unit")) {
      window.dash_clientside.set_props(place.dataset.store, { data: unit });
    }
  }

  function sayUnit() {
    const key = document.getElementById("unit-key");
    const text = "Unit: " + UNIT_IN_FULL[unit];
    if (key && key.textContent !== text) {
      key.textContent = text;
    }
  }

  // On paper a chart has the paper's width, and one page's height at most; afterwards the screen's again.
  const PAPER_PX = { width: 660, height: 860 }; // within the margins of A4 and letter

  window.addEventListener("beforeprint", function () {
    for (const plot of document.querySelectorAll(".js-plotly-plot")) {
      const high = plot._fullLayout.height;
      plot.dataset.high = String(high);
      window.Plotly.relayout(plot, { autosize: false, width: PAPER_PX.width, height: Math.min(high, PAPER_PX.height) });
    }
  });

  window.addEventListener("afterprint", function () {
    for (const plot of document.querySelectorAll(".js-plotly-plot")) {
      window.Plotly.relayout(plot, { autosize: true, width: null, height: Number(plot.dataset.high) });
    }
  });

  document.addEventListener("click", function (event) {
    const button = event.target.closest("button");
    if (!button) {
      return;
    }
    if (button.dataset.ask === STOP && !button.closest("dialog")) {
      document.getElementById("stop-sure").showModal();
    } else if (button.dataset.ask === "mark") {
      mark();
    } else if (button.dataset.ask) {
      askBy(button);
    } else if (button.dataset.does === "unit") {
      nextUnit();
    } else if (button.dataset.does === "log-out") {
      logOut();
    }
    const dialog = button.closest("dialog");
    if (dialog && !button.dataset.marking) {
      dialog.close();
    }
    // A foot switch that comes next is meant for the page, not for what the mouse pressed last.
    if (event.detail > 0 && !dialog) {
      button.blur();
    }
  });

  document.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) {
      return;
    }
    const field = event.target.closest("input, textarea, select");
    if (field) {
      if (field.id === "mark-text" && event.key === "Enter") {
        event.preventDefault();
        mark();
      }
      return;
    }
    if ((event.key === "u" || event.key === "U") && !event.repeat) {
      nextUnit();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    soakbench: {
      ask: ask,
      at: at,
      post: post,
      say: say,

      setTitle: function (title) {
        if (title) {
          document.title = title;
        }
        for (const way of document.querySelectorAll(".top nav a")) {
          way.setAttribute("aria-current", way.classList.contains("here") ? "page" : "false");
        }
        return window.dash_clientside.no_update;
      },

      keptUnit: function () {
        sayUnit();
        return unit;
      },

      perMilliamp: perMilliamp,

      width: width,

      // The charts are laid out for the page's width; a turned phone or a dragged window tells it anew.
      watchWidth: function () {
        told = width();
        window.addEventListener("resize", function () {
          window.clearTimeout(timer);
          timer = window.setTimeout(function () {
            if (Math.abs(width() - told) > 8) {
              told = width();
              window.dash_clientside.set_props("screen", { data: told });
            }
          }, 300);
        });
        return told;
      },
    },
  });
})();
