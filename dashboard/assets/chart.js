// The chart of a soak: asks for what is seen, draws it, and goes on with what is new. A zoom is the person's: it
// is kept over updates and stands in the address.
(function () {
  "use strict";

  const POLL_MS = 2000;
  const IDLE_POLLS = 5; // of an ended soak only each so manieth: the next soak may begin
  const MOST_NEW = 600; // points added to a line before it is asked for anew
  const CLOCK = "soakbench-clock";
  const KINDS = { f4: Float32Array, f8: Float64Array };

  let shown = null; // the chart on the page

  function unpack(values) {
    if (!values || values.bdata === undefined) {
      return values;
    }
    const bytes = Uint8Array.from(window.atob(values.bdata), (letter) => letter.charCodeAt(0));
    return new KINDS[values.dtype](bytes.buffer);
  }

  function joined(one, other) {
    const out = new one.constructor(one.length + other.length);
    out.set(one);
    out.set(other, one.length);
    return out;
  }

  function byClock() {
    try {
      return window.localStorage.getItem(CLOCK) === "1";
    } catch (error) {
      return Boolean(shown && shown.clock);
    }
  }

  // ---------------------------------------------------------------- times in words

  function two(number) {
    return String(number).padStart(2, "0");
  }

  function elapsed(seconds, decimals) {
    const whole = 10 ** (decimals || 0);
    const ticks = Math.round(Math.max(seconds, 0) * whole);
    const s = Math.floor(ticks / whole);
    const text = Math.floor(s / 3600) + ":" + two(Math.floor(s / 60) % 60) + ":" + two(s % 60);
    return decimals ? text + "." + String(ticks % whole).padStart(decimals, "0") : text;
  }

  function offsetAt(seconds) {
    return shown.offsets.findLast((one) => one[0] <= Math.max(seconds, 0))[1];
  }

  function clock(seconds) {
    const ahead = offsetAt(seconds);
    const text = new Date(shown.startedMs + (seconds + ahead) * 1000).toISOString().slice(11, 19);
    if (shown.offsets.length < 2) {
      return text;
    }
    const minutes = Math.abs(ahead) / 60;
    const rest = minutes % 60 ? ":" + two(minutes % 60) : "";
    return text + " UTC" + (ahead < 0 ? "−" : "+") + Math.floor(minutes / 60) + rest;
  }

  function said(seconds, decimals) {
    return byClock() ? clock(seconds) : elapsed(seconds, decimals);
  }

  // ---------------------------------------------------------------- asking

  function address() {
    const query = new URLSearchParams({ width: shown.width, calibration: shown.calibration, unit: shown.unit });
    if (shown.zoom) {
      query.set("from", shown.zoom[0]);
      query.set("to", shown.zoom[1]);
    }
    for (const [axis, ends] of Object.entries(shown.ranges)) {
      query.set(axis.replace("yaxis", "y"), ends.join(","));
    }
    if (byClock()) {
      query.set("clock", "1");
    }
    return query;
  }

  async function ask(anew) {
    const mine = shown;
    mine.anew = mine.anew || anew;
    if (mine.busy || !mine.plot) {
      return;
    }
    mine.busy = true;
    do {
      const whole = mine.anew || mine.untilS === null || mine.added > MOST_NEW;
      mine.anew = false;
      const query = address();
      if (!whole) {
        query.set("after", mine.untilS);
        query.set("frame", mine.frame);
        query.set("over", mine.over);
      }
      let answer = null;
      try {
        const path = "/chart/" + encodeURIComponent(mine.which) + "?" + query;
        const reply = await fetch(window.dash_clientside.soakbench.at(path));
        answer = reply.status === 200 ? await reply.json() : null;
      } catch (error) {
        answer = null; // the last picture stays
      }
      if (mine !== shown || !mine.place.isConnected) {
        return;
      }
      if (answer && mine.uuid && answer.uuid !== mine.uuid) {
        mine.uuid = answer.uuid; // another soak has begun: a stretch of the last one says nothing of it
        look(null, {});
      } else if (answer && !mine.anew) {
        await draw(mine, answer);
      }
    } while (mine.anew);
    mine.busy = false;
  }

  // ---------------------------------------------------------------- drawing

  async function draw(mine, answer) {
    while (mine.held) {
      await new Promise((go) => window.setTimeout(go, 50)); // not under a hand that drags
    }
    if (mine.anew) {
      return; // it has looked elsewhere meanwhile
    }
    mine.uuid = answer.uuid;
    mine.running = answer.running;
    mine.endS = answer.end_s;
    mine.lastS = answer.last_s;
    mine.soak = answer.soak;
    mine.job = answer.job;
    mine.frame = answer.frame;
    mine.over = answer.over;
    mine.untilS = answer.until_s;
    if (answer.figure) {
      mine.added = 0;
      mine.startedMs = answer.started_ms;
      mine.offsets = answer.offsets;
      mine.x = unpack(answer.figure.x);
      mine.onX = new Set(answer.figure.on_x);
      mine.lines = answer.figure.data;
      mine.lines.forEach(function (trace, at) {
        trace.x = mine.onX.has(at) ? mine.x : unpack(trace.x);
        trace.y = unpack(trace.y);
      });
      mine.layout = answer.figure.layout;
      mine.place.setAttribute("aria-label", answer.says);
    } else {
      goOn(mine, answer);
    }
    await redraw(mine);
    tell();
  }

  async function redraw(mine) {
    const decimals = seenS()[1] - seenS()[0] <= 120 ? 1 : 0;
    mine.lines[0].text = Array.from(mine.x, (t) => said(t, decimals));
    mine.drawing = true;
    await window.Plotly.react(
      mine.plot,
      mine.lines.map((trace) => Object.assign({}, trace)),
      structuredClone(mine.layout),
    );
    mine.drawing = false;
  }

  function goOn(mine, answer) {
    if (answer.tail) {
      const news = unpack(answer.x);
      mine.added += news.length;
      mine.x = joined(mine.x, news);
      answer.tail.forEach(function (points, at) {
        const trace = mine.lines[at];
        trace.x = mine.onX.has(at) ? mine.x : joined(trace.x, unpack(points.x));
        trace.y = joined(trace.y, unpack(points.y));
      });
    }
    const isEnd = (note) => (note.name || "").startsWith("end of ");
    const notes = answer.notes || mine.layout.annotations.filter((note) => !isEnd(note));
    const fresh = answer.labels || [];
    const names = new Set(fresh.map((label) => label.name));
    const stay = mine.layout.annotations.filter((note) => isEnd(note) && !names.has(note.name));
    mine.layout.annotations = [...notes, ...stay, ...fresh];
    if (answer.traces) {
      mine.lines.splice(mine.lines.length - answer.traces.length, answer.traces.length, ...answer.traces);
      mine.layout.shapes = answer.shapes;
    }
  }

  // Say beside the buttons what is seen; nothing is said again that stands there already.
  function tell() {
    const place = document.getElementById("chart-seen");
    const [fromS, toS] = seenS();
    const text = shown.zoom ? said(fromS) + " to " + said(toS) : "the whole";
    if (place && place.textContent !== text) {
      place.textContent = text;
    }
    for (const button of document.querySelectorAll("[data-zoom]")) {
      if (button.dataset.zoom === "clock") {
        button.setAttribute("aria-pressed", String(byClock()));
      }
    }
  }

  // ---------------------------------------------------------------- looking closer

  function seenS() {
    return shown.zoom || [0, shown.endS];
  }

  function look(zoom, ranges) {
    if (zoom && shown.frame) {
      const length = Math.min(Math.max(zoom[1] - zoom[0], 0.5), shown.endS);
      const from = Math.min(Math.max(zoom[0], 0), shown.endS - length);
      zoom = length >= shown.endS ? null : [round(from), round(from + length)];
    }
    shown.zoom = zoom;
    shown.ranges = ranges || shown.ranges;
    const query = new URLSearchParams(window.location.search);
    for (const name of [...query.keys()]) {
      if (name === "from" || name === "to" || /^y\d*$/.test(name)) {
        query.delete(name);
      }
    }
    if (zoom) {
      query.set("from", zoom[0]);
      query.set("to", zoom[1]);
    }
    for (const [axis, ends] of Object.entries(shown.ranges)) {
      query.set(axis.replace("yaxis", "y"), ends.join(","));
    }
    const text = query.toString().replaceAll("%2C", ",");
    window.history.replaceState(window.history.state, "", window.location.pathname + (text ? "?" + text : ""));
    ask(true);
  }

  function round(seconds) {
    return Math.round(seconds * 1000) / 1000;
  }

  // What the address says; nonsense is none.
  function bookmarked() {
    const query = new URLSearchParams(window.location.search);
    const zoom = [query.get("from"), query.get("to")].map((end) => (end ? Number(end) : NaN));
    const ranges = {};
    for (const [name, value] of query) {
      const ends = value.split(",").map(Number);
      if (/^y\d{0,2}$/.test(name) && ends.length === 2 && ends[1] > ends[0]) {
        ranges[name.replace("y", "yaxis")] = ends;
      }
    }
    return { zoom: zoom[1] > zoom[0] ? zoom : null, ranges: ranges };
  }

  function closer(seconds) {
    const [fromS, toS] = seenS();
    let middle = (fromS + toS) / 2;
    if (shown.running && toS >= shown.lastS) {
      middle = shown.lastS - seconds * 0.45;
    }
    look([middle - seconds / 2, middle + seconds / 2]);
  }

  function along(share) {
    const [fromS, toS] = seenS();
    const by = (toS - fromS) * share;
    look([fromS + by, toS + by]);
  }

  function press(what) {
    if (!shown || !shown.frame) {
      return;
    }
    if (what === "whole") {
      look(null, {});
    } else if (what === "earlier" || what === "later") {
      along(what === "later" ? 0.8 : -0.8);
    } else if (what === "clock") {
      shown.clock = !byClock();
      try {
        window.localStorage.setItem(CLOCK, shown.clock ? "1" : "0");
      } catch (error) {
        // then it holds until the page is left
      }
      ask(true);
    } else {
      closer(Number(what));
    }
  }

  function moved(event) {
    if (shown.drawing) {
      return;
    }
    const ranges = Object.assign({}, shown.ranges);
    let touched = false;
    for (const axis of Object.keys(shown.layout || {}).filter((name) => name.startsWith("yaxis"))) {
      if (axis + ".range[0]" in event) {
        ranges[axis] = [event[axis + ".range[0]"], event[axis + ".range[1]"]].map((end) => Number(end.toPrecision(5)));
        touched = true;
      }
    }
    if ("xaxis.range[0]" in event) {
      look([event["xaxis.range[0]"], event["xaxis.range[1]"]], ranges);
    } else if (touched) {
      look(shown.zoom, ranges);
    }
  }

  // ---------------------------------------------------------------- the page

  // The page's frame is there before its graph, and that before the library that draws it.
  function start(mine) {
    const place = mine.place;
    const plot = place.querySelector(".js-plotly-plot");
    if (!place.isConnected || shown !== mine) {
      return;
    }
    if (!window.Plotly || !plot || !plot._fullLayout) {
      window.setTimeout(() => start(mine), 30);
      return;
    }
    mine.plot = plot;
    plot.on("plotly_relayout", moved);
    // The page's own component may lay its empty figure over ours once more, where it is slow to start.
    plot.on("plotly_afterplot", function () {
      if (mine.lines && !mine.drawing && plot.data.length < mine.lines.length) {
        redraw(mine);
      }
    });
    plot.on("plotly_doubleclick", () => look(null, {}));
    plot.addEventListener("pointerdown", () => (mine.held = true), true);
    mine.gone = new AbortController();
    pointing(mine, plot);
    let polls = 0;
    const timer = window.setInterval(function () {
      if (!place.isConnected || shown !== mine) {
        window.clearInterval(timer);
        mine.gone.abort();
      } else if (!document.hidden && (mine.running !== false || ++polls % IDLE_POLLS === 0)) {
        ask(false);
      }
    }, POLL_MS);
    ask(true);
  }

  // A click that moved nothing, and is no half of a double click, means the time under it.
  const DOUBLE_MS = 350;

  function pointing(mine, plot) {
    let down = null; // where and when
    let still = false;
    let waits = null;
    plot.addEventListener(
      "pointerdown",
      function (event) {
        window.clearTimeout(waits);
        const again = down && event.timeStamp - down.at < DOUBLE_MS;
        const counts = event.isPrimary && event.button === 0 && !again;
        down = { x: event.clientX, y: event.clientY, at: event.timeStamp, counts: counts };
        still = false;
      },
      true,
    );
    window.addEventListener(
      "pointerup",
      (event) => (still = down && down.counts && Math.hypot(event.clientX - down.x, event.clientY - down.y) < 5),
      { capture: true, signal: mine.gone.signal },
    );
    plot.on("plotly_click", function (told) {
      window.clearTimeout(waits);
      const seconds = told.xvals && Number(told.xvals[0]);
      if (still && Number.isFinite(seconds)) {
        waits = window.setTimeout(() => shown === mine && mark(seconds), DOUBLE_MS);
      }
    });
    plot.on("plotly_hover", (told) => (mine.underS = told.xvals && Number(told.xvals[0])));
    plot.on("plotly_unhover", () => (mine.underS = null));
  }

  // The time under the cursor, or the middle of what is seen that was measured.
  function mark(seconds) {
    const [fromS, toS] = seenS();
    const middle = (fromS + Math.min(toS, Math.max(shown.lastS, fromS))) / 2;
    const decimals = toS - fromS <= 120 ? 1 : 0;
    const whole = 10 ** decimals;
    const lastS = Math.floor(shown.lastS * whole) / whole;
    const atS = Math.min(Math.max(seconds ?? shown.underS ?? middle, 0), lastS);
    const uuid = shown.uuid;
    const clockAt = (t) => (byClock() ? "Clock time " + clock(t) : "");
    window.dash_clientside.soakbench_marking.open(elapsed(atS, decimals), clockAt, function () {
      const same = shown && shown.uuid === uuid;
      return same && { uuid: uuid, running: shown.running, soak: shown.soak, job: shown.job, lastS: shown.lastS };
    }, () => ask(false));
  }

  for (const name of ["pointerup", "pointercancel"]) {
    window.addEventListener(name, () => window.setTimeout(() => shown && (shown.held = false), 50), true);
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("[data-zoom]");
    if (button) {
      press(button.dataset.zoom);
    } else if (event.target.closest("#mark-time") && shown && shown.frame) {
      mark();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    soakbench_chart: {
      show: function (which, width, calibration, unit) {
        const place = document.getElementById("chart-frame");
        if (place && width && unit && which !== undefined && which !== null) {
          if (!shown || shown.place !== place || shown.which !== which) {
            shown = Object.assign(
              { place: place, which: which, endS: 0, lastS: 0, untilS: null, added: 0, offsets: [[0, 0]] },
              bookmarked(),
            );
            Object.assign(shown, { width: width, calibration: calibration, unit: unit });
            start(shown);
          } else {
            const ranges = unit === shown.unit ? shown.ranges : {};
            Object.assign(shown, { width: width, calibration: calibration, unit: unit });
            look(shown.zoom, ranges);
          }
        }
        return window.dash_clientside.no_update;
      },
    },
  });
})();
