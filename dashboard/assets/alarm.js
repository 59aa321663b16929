// Sound on warning and trip, switched on by a person. Loaded twice: by the page, and by it as a worker, whose
// timer goes on in a tab that nobody looks at, where a page's own slows down to once a minute.
(function () {
  "use strict";

  const EVERY_MS = 2000;
  const SILENT_MS = 10000; // without an answer
  const KEPT = "soakbench-sound";

  if (typeof document === "undefined") {
    setInterval(() => postMessage("tick"), EVERY_MS);
    return;
  }

  // [pitch in Hz, begins at s, lasts s] of each note, and after how long it sounds again
  const SOUNDS = {
    warning: { again_ms: 20000, loud: 0.2, notes: [[660, 0, 0.25], [495, 0.3, 0.4]] },
    trip: {
      again_ms: 2000,
      loud: 0.35,
      notes: [0, 0.3, 0.6, 0.9].flatMap((at) => [[988, at, 0.13], [784, at + 0.15, 0.13]]),
    },
  };
  // Of what is no longer known the sound is that of a warning.
  const SOUND_OF = { trip: "trip", warning: "warning", "no reading": "warning", "no answer": "warning" };
  const SAYS = {
    trip: "a trip calls",
    warning: "a warning calls",
    "no reading": "no reading comes",
    "no answer": "the dashboard does not answer: see where it was started",
  };

  const source = document.currentScript.src;
  let wanted = kept();
  let context = null;
  let worker = null;
  let answeredAt = 0;
  let calls = "";
  let sounded = { what: "", at: 0 };

  function kept() {
    try {
      return window.localStorage.getItem(KEPT) === "on";
    } catch (error) {
      return false;
    }
  }

  function keep() {
    try {
      window.localStorage.setItem(KEPT, wanted ? "on" : "off");
    } catch (error) {
      // then it holds until the page is left
    }
  }

  // What the browser lets us do: it sounds only once a person has pressed something on the page.
  function state() {
    if (!window.AudioContext) {
      return "none";
    }
    return !wanted ? "off" : context && context.state === "running" ? "on" : "waiting";
  }

  function show() {
    const now = state();
    document.documentElement.dataset.sound = now;
    for (const key of document.querySelectorAll('[data-does="sound"]')) {
      key.textContent = now === "on" ? "Sound: on" : now === "waiting" ? "Sound: waits" : "Sound: off";
      key.setAttribute("aria-pressed", String(wanted));
      key.disabled = now === "none";
      if (key.id === "sound-key") {
        key.hidden = !wanted;
      }
    }
    const says = document.getElementById("sound-says");
    const text = {
      none: "This browser makes no sound for pages: listen to the terminal of soakbench run.",
      off: "Off: nothing sounds here on a warning or trip.",
      waiting: "This browser does not let the page sound yet: press a key or click anywhere in it.",
      on: "On, also while another tab is in front" + (calls ? "; now " + SAYS[calls] : "") + ". Acknowledging silences it.",
    }[now];
    if (says && says.textContent !== text) {
      says.textContent = text;
    }
  }

  async function wake() {
    const touched = !navigator.userActivation || navigator.userActivation.hasBeenActive;
    if (!window.AudioContext || !(context || touched)) {
      return show();
    }
    if (!context) {
      context = new AudioContext();
      context.addEventListener("statechange", show);
    }
    // A browser that waits for a person leaves this unanswered.
    context.resume().then(show, show);
    show();
  }

  function sound(what) {
    const { loud, notes } = SOUNDS[what];
    const begin = context.currentTime + 0.05;
    for (const [pitch, at, lasts] of notes) {
      const note = context.createOscillator();
      const gain = context.createGain();
      note.type = "triangle";
      note.frequency.value = pitch;
      gain.gain.setValueAtTime(0, begin + at);
      gain.gain.linearRampToValueAtTime(loud, begin + at + 0.01);
      gain.gain.setValueAtTime(loud, begin + at + lasts - 0.03);
      gain.gain.linearRampToValueAtTime(0, begin + at + lasts);
      note.connect(gain).connect(context.destination);
      note.start(begin + at);
      note.stop(begin + at + lasts);
    }
    document.documentElement.dataset.sounded = what;
  }

  async function look() {
    try {
      const reply = await fetch(window.dash_clientside.soakbench.at("/calls"), { cache: "no-store" });
      calls = (await reply.json()).calls || "";
      answeredAt = performance.now();
    } catch (error) {
      if (performance.now() - answeredAt > SILENT_MS) {
        calls = "no answer";
      }
    }
    document.documentElement.dataset.calls = calls;
    show();
    const what = SOUND_OF[calls];
    if (!what) {
      sounded = { what: "", at: 0 };
    } else if (state() === "on" && (sounded.what !== what || performance.now() - sounded.at >= SOUNDS[what].again_ms - 200)) {
      sounded = { what: what, at: performance.now() };
      sound(what);
    }
  }

  function follow() {
    if (wanted && !worker) {
      answeredAt = performance.now();
      worker = new Worker(source);
      worker.onmessage = look;
      look();
    } else if (!wanted && worker) {
      worker.terminate();
      worker = null;
      calls = "";
      sounded = { what: "", at: 0 };
      delete document.documentElement.dataset.calls;
    }
  }

  document.addEventListener("click", async function (event) {
    const key = event.target.closest("button");
    if (key && key.dataset.does === "sound") {
      wanted = !wanted;
      keep();
      if (wanted) {
        wake();
      }
      follow();
      show();
    } else if (key && key.dataset.does === "try-sound") {
      await wake();
      context.resume().then(() => sound(key.dataset.of));
    }
  });

  // Kept from last time: it begins with the first thing that a person does on the page.
  for (const what of ["pointerdown", "pointerup", "keydown"]) {
    document.addEventListener(what, () => wanted && state() === "waiting" && wake(), true);
  }

  document.addEventListener("DOMContentLoaded", function () {
    if (wanted) {
      wake();
      follow();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    alarm: {
      show: function () {
        show();
        return window.dash_clientside.no_update;
      },
    },
  });
})();
