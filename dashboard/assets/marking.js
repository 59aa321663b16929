// The dialog that marks a time: of a running soak a mark that names it, of an ended one a remark of its job.
// What was measured of an ended soak is never touched.
(function () {
  "use strict";

  const BY = "soakbench-by"; // as the forms keep it
  let opened = null;
  let busy = false;

  function part(name) {
    return document.getElementById("marking-" + name);
  }

  function say(text, trouble) {
    part("says").textContent = text;
    part("says").classList.toggle("trouble", Boolean(trouble));
  }

  function keptName() {
    try {
      return window.localStorage.getItem(BY) || "";
    } catch (error) {
      return "";
    }
  }

  function keepName(name) {
    try {
      window.localStorage.setItem(BY, name);
    } catch (error) {
      // then it is typed again
    }
  }

  function set(name, text) {
    part(name).value = text;
    window.dash_clientside.set_props("marking-" + name, { value: text });
  }

  // Seconds of "h:mm:ss", with a tenth if need be; NaN where it is none.
  function secondsOf(text) {
    const found = /^(\d{1,4}):([0-5]\d):([0-5]\d(?:\.\d)?)$/.exec(text.trim());
    return found ? Number(found[1]) * 3600 + Number(found[2]) * 60 + Number(found[3]) : NaN;
  }

  // What hinders a mark from the beginning; "" where nothing does.
  function hindered(soak) {
    if (document.documentElement.dataset.role === "view") {
      return "You only view: log in with the other password to mark.";
    }
    if (!soak) {
      return "Another soak is shown meanwhile: cancel, and point at it.";
    }
    if (!soak.running && !soak.job) {
      return "This soak has ended and belongs to no job: let it belong to one on the Jobs page, then the remark has its place.";
    }
    return "";
  }

  function sayWhere() {
    const soak = opened.soak();
    const ended = soak && !soak.running;
    part("where").textContent = !soak
      ? ""
      : ended
        ? "The soak has ended, and what was measured stays as it is."
          + (soak.job ? " This becomes a remark of job " + soak.job + "." : "")
        : "It is stored now, and shown at this time.";
    part("by-field").hidden = !(ended && soak.job);
    const why = hindered(soak);
    say(why, why);
    for (const button of document.querySelectorAll("[data-marking=add]")) {
      button.disabled = Boolean(why);
    }
  }

  function sayClock() {
    const seconds = secondsOf(part("time").value);
    part("clock").textContent = Number.isNaN(seconds) ? "" : opened.clockAt(seconds);
  }

  function fault(name, text) {
    say(text, true);
    part(name).focus();
  }

  async function add() {
    if (busy || !opened) {
      return;
    }
    const soak = opened.soak();
    sayWhere();
    if (hindered(soak)) {
      return;
    }
    const time = part("time").value.trim();
    const text = part("text").value.trim();
    const by = part("by").value.trim();
    if (Number.isNaN(secondsOf(time))) {
      return fault("time", "The time is written as 0:48:10: hours, minutes, seconds since the soak began.");
    }
    if (secondsOf(time) > soak.lastS) {
      return fault("time", "This time was not measured: choose one up to the last scan.");
    }
    if (!text) {
      return fault("text", "A mark needs a text: say what was then, for example tapped V5.");
    }
    busy = true;
    say("asked …");
    const post = window.dash_clientside.soakbench.post;
    const mine = opened;
    const answer = soak.running
      ? await post("/ask", { ask: "mark", text: "at " + time + ": " + text, soak: soak.uuid })
      : await post("/record", {
          deed: "remark",
          job: soak.job,
          table: "job",
          row: soak.job,
          seen: null,
          said: { text: "Soak " + soak.soak + " at " + time + ": " + text },
          by: by,
          key: mine.key,
        });
    busy = false;
    if (opened !== mine) {
      return;
    }
    if (answer.state === "done") {
      if (!soak.running) {
        keepName(by);
      }
      window.dash_clientside.soakbench.say("done: " + (soak.running ? "mark" : "remark of job " + soak.job));
      close();
      mine.done();
      return;
    }
    const faults = answer.faults || {};
    say([answer.reason, ...Object.values(faults)].filter(Boolean).join(" "), true);
    part(faults.by ? "by" : "text").focus();
  }

  function close() {
    opened = null;
    document.getElementById("marking").close();
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("[data-marking]");
    if (button && button.dataset.marking === "add") {
      add();
    } else if (button) {
      close();
    }
  });

  document.addEventListener("input", function (event) {
    if (opened && event.target.id === "marking-time") {
      sayClock();
    }
  });

  document.addEventListener("keydown", function (event) {
    const inside = opened && event.target.closest("#marking input");
    if (inside && event.key === "Enter" && !event.isComposing) {
      event.preventDefault();
      add();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    soakbench_marking: {
      // `time`: h:mm:ss; `clockAt(seconds)` says it by the clock, or ""; `soak()`: which is meant, as it stands now.
      open: function (time, clockAt, soak, done) {
        const dialog = document.getElementById("marking");
        if (!dialog || dialog.open) {
          return;
        }
        opened = { clockAt: clockAt, soak: soak, done: done, key: window.crypto.getRandomValues(new Uint32Array(4)).join("-") };
        set("time", time);
        set("text", "");
        set("by", keptName());
        dialog.showModal();
        sayWhere();
        sayClock();
        part("text").focus();
      },
    },
  });
})();
