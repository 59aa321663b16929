// The Bias page: reads the newest scans, line by line, from one answer that goes on, and shows one pair large,
// with its window, what to do, a tone and a voice. All text is set as text.
(function () {
  "use strict";

  const AGAIN_MS = 300; // until it is asked again, where an answer has ended
  const HIDDEN_MS = 1000; // and where nobody looks or listens
  const WORD = ["", "more", "less", "on target"];
  const SILENT_MS = 1500; // without an answer
  const REACH = 3; // the bar shows so many half windows to each side
  const LET_GO = 0.15; // of a half window beyond the edge, before "on target" is taken back
  const MINUS = "\u2212";
  const WORDS = {
    more: "↑ more current",
    less: "↓ less current",
    "on target": "● on target",
  };

  let page = null; // the element that this run of the page is for
  let unit = "mA";
  let about = { soak: null, pairs: [], findings: [], setting: false };
  let plan = [];
  let reading = null; // what breaks off the answer that is being read
  let once = false; // where a proxy keeps an answer to itself until it has ended, each is asked for by itself
  let watch = 0;
  let newest = null; // the last answer with pairs
  let answeredAt = 0;
  let at = 0; // the pair shown
  let held = ""; // the word shown, which holds on a little at the window's edge
  let heldFor = -1;
  let drawn = "";

  const tone = { on: false, context: null, pitch: null, beat: null, depth: null, loud: null };
  const voice = { on: false, last: "", lastAt: 0 };
  let wake = null;

  function id(name) {
    return document.getElementById(name);
  }

  function put(name, text) {
    const element = id(name);
    if (element.textContent !== text) {
      element.textContent = text;
    }
  }

  function way(name, text, kind) {
    put(name, text);
    id(name).setAttribute("aria-label", kind + text);
  }

  function show(name, visible) {
    id(name).hidden = !visible;
  }

  function number(value, decimals) {
    if (value === null || value === undefined) {
      return "–";
    }
    const text = Math.abs(value).toFixed(decimals);
    return value < 0 && Number(text) !== 0 ? MINUS + text : text;
  }

  function scaled(amperes, pair) {
    const known = about.pairs[pair];
    if (amperes === null || amperes === undefined || !known) {
      return null;
    }
    return 1000 * amperes * window.dash_clientside.soakbench.perMilliamp(unit, known);
  }

  function figure(amperes, pair) {
    return number(scaled(amperes, pair), 1);
  }

  function unitText() {
    return unit === "valve" ? "mA a valve" : unit;
  }

  // ---- asking

  async function look() {
    const asking = page;
    while (asking === page) {
      let lines = 0;
      reading = new AbortController();
      try {
        const alone = once || unheeded();
        const address = window.dash_clientside.soakbench.at("/bias/now" + (alone ? "?once" : ""));
        const reply = await fetch(address, { cache: "no-store", signal: reading.signal });
        if (reply.ok) {
          const reader = reply.body.pipeThrough(new TextDecoderStream()).getReader();
          let rest = "";
          for (let part = await reader.read(); !part.done; part = await reader.read()) {
            const whole = (rest + part.value).split("\n");
            rest = whole.pop();
            for (const line of whole) {
              if (asking !== page || !page.isConnected) {
                break;
              }
              lines += 1;
              answeredAt = performance.now();
              take(JSON.parse(line));
            }
            if (!alone && (unheeded() || asking !== page || !page.isConnected)) {
              reading.abort();
              break;
            }
          }
        }
      } catch (error) {
        once = once || (asking === page && error.name === "AbortError" && lines === 0);
      }
      if (asking !== page) {
        return;
      }
      if (!page.isConnected) {
        leave();
        return;
      }
      await new Promise((done) => window.setTimeout(done, unheeded() ? HIDDEN_MS : AGAIN_MS));
    }
  }

  // A browser keeps few connections to one server: a tab that nobody looks at or listens to holds none.
  function unheeded() {
    return document.hidden && !tone.on && !voice.on;
  }

  // Silence is said, and broken off: the next answer may come.
  function listen() {
    if (page && !page.isConnected) {
      leave();
    } else if (page && performance.now() - answeredAt > SILENT_MS) {
      render();
      if (performance.now() - answeredAt > 2 * SILENT_MS) {
        reading.abort();
      }
    }
  }

  function take(answer) {
    if (answer.absent) {
      newest = null;
      show("bias-body", false);
      show("bias-nothing", true);
      nothing(answer.absent);
      sound();
      return;
    }
    if (answer.says) {
      if (answer.says.soak !== about.soak) {
        at = 0;
      }
      about = answer.says;
      at = Math.min(at, about.pairs.length - 1);
      drawn = "";
    }
    plan = answer.plan || plan;
    newest = standing(answer.scan);
    show("bias-nothing", false);
    show("bias-body", true);
    render();
  }

  // What a line says, in A, with what was said before it.
  function standing(scan) {
    const [t_s, age_s, old, drawn_, off, words] = scan;
    const pairs = plan.map(function (known, pair) {
      const a = drawn_[pair] === null ? null : drawn_[pair] / 1e7;
      const one = { a: a };
      if (known.length) {
        [one.aim, one.set, one.low, one.high, one.lead] = known;
        one.off = off[pair];
        one.word = WORD[Number(words[pair])];
      }
      if (known.length > 5 && a !== null) {
        [one.ends, one.ends_low, one.ends_high] = known.slice(5).map((by) => by * a);
      }
      return one;
    });
    return { t_s: t_s, age_s: age_s, stale: old === 1, pairs: pairs };
  }

  function nothing(absent) {
    const text = absent.title + absent.says + absent.command;
    const place = id("bias-nothing");
    put("bias-amp", "");
    put("bias-state", "");
    put("bias-age", "");
    put("bias-cutout", "");
    if (place.dataset.says === text) {
      return;
    }
    place.dataset.says = text;
    const title = document.createElement("h1");
    title.textContent = absent.title;
    const says = document.createElement("p");
    says.textContent = absent.says;
    place.replaceChildren(title, says);
    if (absent.command) {
      const code = document.createElement("pre");
      code.textContent = absent.command;
      place.append(code);
    }
    document.title = absent.title + " · soakbench";
  }

  // ---- showing

  function stale() {
    return !newest || newest.stale || performance.now() - answeredAt > SILENT_MS;
  }

  function age() {
    return newest.age_s + (performance.now() - answeredAt) / 1000;
  }

  function ageText(old, seconds) {
    if (old) {
      const minutes = Math.floor(seconds / 60);
      const since = minutes < 2 ? Math.floor(seconds) + " s" : minutes < 120 ? minutes + " min" : Math.floor(minutes / 60) + " h";
      return "no reading for " + since;
    }
    return "last scan " + (seconds < 1 ? "under 1" : Math.ceil(seconds)) + " s ago";
  }

  // The word for a pair: as the scan has it, but "on target" is not taken back at the first scan outside.
  function wordOf(pair) {
    const one = newest.pairs[pair];
    if (!one || !one.word) {
      return "";
    }
    const near = Math.abs(one.off) <= 1 + LET_GO;
    if (pair === heldFor && held === "on target" && one.word !== "on target" && near) {
      return "on target";
    }
    return one.word;
  }

  function render() {
    if (!newest || !about.pairs.length) {
      return;
    }
    unit = window.dash_clientside.soakbench.keptUnit();
    const old = stale();
    const seconds = age();
    const one = newest.pairs[at];
    const known = about.pairs[at];
    const word = old ? "" : wordOf(at);
    held = word;
    heldFor = at;
    page.dataset.scan = String(newest.t_s);
    page.classList.toggle("stale", old);

    put("bias-amp", about.amp);
    put("bias-state", about.state);
    put("bias-age", ageText(old, seconds));
    id("bias-age").classList.toggle("stale", old);
    const relay = old ? "unknown" : (about.cutout || {}).state;
    put("bias-cutout", about.cutout ? "cut-out " + relay : "");
    id("bias-cutout").className = about.cutout ? "cutout " + relay : "";
    const title = old ? "NO READING · bias · " + about.amp : about.title;
    if (document.title !== title) {
      document.title = title;
    }
    put("bias-who", known.label);
    put("bias-figure", old || one.a === null ? "no reading" : figure(one.a, at));
    id("bias-reading").classList.toggle("none", old || one.a === null);
    put("bias-unit", old || one.a === null ? "" : unitText());
    put("bias-word", said(one, word, old));
    id("bias-word").dataset.word = word;
    bar(id("bias-bar"), old ? null : one, true);
    put("bias-set", old || one.set === undefined ? "" : setText(one));
    put("bias-ends", old ? "" : one.ends === undefined ? about.note : endsText(one));
    id("bias-ends").classList.toggle("note", one.ends === undefined);
    alarm();
    others(old);
    sound();
    speak(word, old);
  }

  function said(one, word, old) {
    if (old) {
      return "Look at the DAQ's lead and supply";
    }
    if (word) {
      return WORDS[word];
    }
    if (one.set !== undefined && one.a !== null) {
      return "draws next to nothing: look at HT, valves and bias feed first";
    }
    return "";
  }

  function setText(one) {
    const set = figure(one.set, at);
    const aim = figure(one.aim, at);
    const window_ = figure(one.low, at) + " to " + figure(one.high, at);
    // What the word is about is another pair, where one pot serves several.
    if (one.word && one.lead !== at) {
      const lead = newest.pairs[one.lead];
      const stands = figure(lead.a, one.lead) + " for " + figure(lead.set, one.lead);
      return "hottest is " + about.pairs[one.lead].name + ": " + stands;
    }
    if (one.ends === undefined) {
      return "aim " + aim + ", window " + window_;
    }
    return "set " + set + " now to end at " + aim;
  }

  function endsText(one) {
    const near = figure(one.ends, at);
    return "left as it is: ends near " + near + " (" + figure(one.ends_low, at) + " to " + figure(one.ends_high, at) + ")";
  }

  function place(one, value) {
    const middle = (one.low + one.high) / 2;
    const half = (one.high - one.low) / 2;
    return 50 + (50 * Math.max(-REACH, Math.min(REACH, (value - middle) / half))) / REACH;
  }

  function bar(element, one, edges) {
    const shown = one && one.set !== undefined && one.a !== null;
    element.classList.toggle("empty", !shown);
    if (!shown) {
      return;
    }
    const mark = element.querySelector(".bar-mark");
    mark.style.left = place(one, one.a) + "%";
    mark.classList.toggle("under", one.a < one.low - ((one.high - one.low) / 2) * (REACH - 1));
    mark.classList.toggle("over", one.a > one.high + ((one.high - one.low) / 2) * (REACH - 1));
    element.querySelector(".bar-aim").style.left = place(one, one.set) + "%";
    if (edges) {
      element.querySelector(".bar-low").textContent = figure(one.low, at);
      element.querySelector(".bar-high").textContent = figure(one.high, at);
    }
  }

  function alarm() {
    const worst = about.findings.find((one) => one.look !== "remark");
    const more = about.findings.filter((one) => one.look !== "remark").length - 1 + about.more;
    const text = worst
      ? worst.shape + " " + worst.look.toUpperCase() + " " + worst.says + (more > 0 ? " And " + more + " more." : "")
      : "";
    put("bias-alarm", text || about.adjust);
    id("bias-alarm").className = worst ? worst.look : "";
    id("bias-alarm").setAttribute("role", worst && worst.look === "trip" ? "alert" : "status");
  }

  // The row of all pairs is built when the soak, or what is said of it, changes; then only its figures move.
  function others(old) {
    const list = id("bias-all");
    if (drawn !== about.soak + "/" + about.pairs.length) {
      drawn = about.soak + "/" + about.pairs.length;
      list.replaceChildren(
        ...about.pairs.map(function (pair, index) {
          const item = document.createElement("li");
          const button = document.createElement("button");
          button.type = "button";
          button.className = "key small";
          button.dataset.pair = String(index);
          for (const part of ["name", "shape", "value", "word", "unseen"]) {
            const span = document.createElement("span");
            span.className = part;
            if (part === "shape" || part === "word") {
              span.setAttribute("aria-hidden", "true"); // said in words behind them
            }
            button.append(span);
          }
          button.firstChild.textContent = pair.name;
          const small = id("bias-bar").cloneNode(true);
          small.removeAttribute("id");
          button.append(small);
          item.append(button);
          return item;
        }),
      );
    }
    list.querySelectorAll("button").forEach(function (button, index) {
      const one = newest.pairs[index];
      const word = old ? "" : index === at ? held : one.word || "";
      const found = about.findings.find((f) => f.look !== "remark" && f.channels.includes(about.pairs[index].name));
      button.querySelector(".value").textContent = old || one.a === null ? "–" : figure(one.a, index);
      button.querySelector(".word").textContent = word ? WORDS[word][0] : "";
      const shape = button.querySelector(".shape");
      shape.textContent = found ? found.shape : "";
      shape.className = found ? "shape sign " + found.look : "shape";
      button.setAttribute("aria-current", index === at ? "true" : "false");
      button.querySelector(".unseen").textContent = (word ? ", " + word : "") + (found ? ", " + found.look : "");
      bar(button.querySelector(".bar"), old ? null : one, false);
    });
    const several = about.pairs.length > 1;
    show("bias-before", several);
    show("bias-after", several);
    if (several) {
      way("bias-before", "‹ " + about.pairs[beside(-1)].name, "pair before: ");
      way("bias-after", about.pairs[beside(1)].name + " ›", "next pair: ");
    }
    id("bias-setting").disabled = about.setting;
    put("bias-setting", about.setting ? "Setting bias is on" : "Setting bias");
    id("bias-acknowledge").disabled = !about.findings.some((one) => one.calls);
  }

  // ---- doing

  function beside(step) {
    const count = about.pairs.length;
    return (at + step + count) % count;
  }

  function go(to) {
    at = to;
    held = "";
    render();
  }

  // One key does it all: what the pair reads is marked, what calls about it acknowledged, the next shown. Of a
  // pair without a reading nothing can be marked.
  async function done() {
    const soakbench = window.dash_clientside.soakbench;
    const one = newest && newest.pairs[at];
    if (stale() || !one) {
      soakbench.say("no reading, so nothing to mark", true);
      return;
    }
    const known = about.pairs[at];
    const calling = about.findings.filter((f) => f.calls && f.channels.includes(known.name));
    const text = known.label + " set to " + number(1000 * one.a, 1) + " mA";
    go(beside(1));
    let well = true;
    if (one.a !== null) {
      well = await soakbench.ask("mark", text);
    } else if (!calling.length) {
      soakbench.say(known.label + " has no reading, so nothing was marked", true);
    }
    for (const finding of calling) {
      well = (await soakbench.ask("acknowledge", String(finding.id))) && well;
    }
    if (well && calling.length) {
      const marked = one.a === null ? "" : "mark " + text + "; ";
      soakbench.say("done: " + marked + "acknowledge " + calling.map((f) => f.id).join(", "));
    }
  }

  function onKey(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || !newest) {
      return;
    }
    if (event.target.closest("input, textarea, select, dialog")) {
      return;
    }
    const step = { ArrowRight: 1, ArrowDown: 1, PageDown: 1, ArrowLeft: -1, ArrowUp: -1, PageUp: -1 }[event.key];
    if (step) {
      event.preventDefault();
      go(beside(step));
    } else if (event.key === " " || event.key === "Enter") {
      if (event.target.closest("button, a")) {
        return; // what the keyboard has chosen is what it presses
      }
      event.preventDefault();
      if (!event.repeat) {
        done();
      }
    } else if (event.key === "Escape") {
      switchTone(false);
      switchVoice(false);
    }
  }

  function onClick(event) {
    const button = event.target.closest("button");
    if (!button) {
      return;
    }
    const soakbench = window.dash_clientside.soakbench;
    if (button.dataset.pair !== undefined) {
      go(Number(button.dataset.pair));
      return;
    }
    switch (button.id) {
      case "bias-before":
        return go(beside(-1));
      case "bias-after":
        return go(beside(1));
      case "bias-done":
        return void done();
      case "bias-acknowledge":
        return void soakbench.ask("acknowledge", "");
      case "bias-setting":
        return void soakbench.ask("setting bias", "");
      case "bias-tone":
        return switchTone(!tone.on);
      case "bias-voice":
        return switchVoice(!voice.on);
    }
  }

  // ---- tone: pitch by distance, beating while off target, steady on it; silent where nothing is known

  function switchTone(on) {
    if (on && !tone.context) {
      const context = new AudioContext();
      tone.context = context;
      tone.pitch = context.createOscillator();
      tone.beat = context.createOscillator();
      tone.beat.type = "square";
      tone.depth = context.createGain();
      tone.loud = context.createGain();
      tone.loud.gain.value = 0;
      tone.depth.gain.value = 0;
      tone.beat.connect(tone.depth).connect(tone.loud.gain);
      tone.pitch.connect(tone.loud).connect(context.destination);
      tone.pitch.start();
      tone.beat.start();
    }
    tone.on = on;
    if (tone.context) {
      tone.context[on ? "resume" : "suspend"]();
    }
    put("bias-tone", on ? "Tone: on" : "Tone: off");
    sound();
  }

  function sound() {
    if (!page) {
      return;
    }
    const one = newest && !stale() ? newest.pairs[at] : null;
    const sounds = Boolean(tone.on && one && one.word);
    page.dataset.tone = !tone.on ? "off" : !sounds ? "silent" : held === "on target" ? "steady" : "beating";
    if (!tone.context) {
      return;
    }
    const now = tone.context.currentTime;
    const steady = held === "on target";
    const off = sounds ? Math.max(-8, Math.min(8, one.off)) : 0;
    tone.loud.gain.setTargetAtTime(!sounds ? 0 : steady ? 0.16 : 0.08, now, 0.02);
    tone.depth.gain.setTargetAtTime(!sounds || steady ? 0 : 0.08, now, 0.02);
    // An octave below at eight half windows under the aim, one above as far over it.
    tone.pitch.frequency.setTargetAtTime(steady ? 523 : 523 * Math.pow(2, off / 8), now, 0.03);
    tone.beat.frequency.setTargetAtTime(3 + 5 / (1 + Math.abs(off)), now, 0.03);
    page.dataset.pitch = String(Math.round(steady ? 523 : 523 * Math.pow(2, off / 8)));
  }

  // ---- voice: only one of this computer's own, since others send what is said elsewhere

  function ownVoice() {
    const all = window.speechSynthesis ? window.speechSynthesis.getVoices().filter((one) => one.localService) : [];
    return all.find((one) => one.lang.startsWith("en")) || all[0];
  }

  function switchVoice(on) {
    if (on && !ownVoice()) {
      put("bias-hint", "This browser has no voice of this computer's own, so the pair can't be spoken.");
      on = false;
    } else {
      put("bias-hint", "");
    }
    voice.on = on;
    voice.last = "";
    if (!on && window.speechSynthesis) {
      window.speechSynthesis.cancel();
    }
    put("bias-voice", on ? "Voice: on" : "Voice: off");
  }

  function speak(word, old) {
    if (!voice.on) {
      return;
    }
    const trip = about.findings.find((one) => one.look === "trip" && one.calls);
    const text =
      (trip ? "trip. " + trip.says + " " : "") +
      about.pairs[at].spoken +
      (old ? ", no reading" : word ? ", " + word : "");
    const now = performance.now();
    if (text === voice.last || now - voice.lastAt < 700) {
      return;
    }
    voice.last = text;
    voice.lastAt = now;
    const words = new SpeechSynthesisUtterance(text);
    words.voice = ownVoice();
    words.lang = words.voice ? words.voice.lang : "en";
    window.speechSynthesis.cancel();
    window.speechSynthesis.speak(words);
  }

  // ---- the screen stays awake where the browser can

  async function keepAwake() {
    if (!page || !navigator.wakeLock || document.visibilityState !== "visible") {
      return;
    }
    try {
      wake = await navigator.wakeLock.request("screen");
    } catch (error) {
      put("bias-hint", "This browser lets the screen go dark: set the computer to stay awake.");
    }
  }

  function leave() {
    page = null;
    newest = null;
    window.clearInterval(watch);
    reading.abort();
    document.removeEventListener("keydown", onKey);
    document.removeEventListener("click", onClick);
    document.removeEventListener("visibilitychange", keepAwake);
    if (tone.context) {
      tone.context.close();
      tone.context = null;
    }
    tone.on = voice.on = false;
    if (wake) {
      wake.release();
      wake = null;
    }
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    bias: {
      begin: function () {
        const element = id("bias");
        if (element && element !== page) {
          if (page) {
            leave();
          }
          page = element;
          drawn = "";
          answeredAt = performance.now();
          document.addEventListener("keydown", onKey);
          document.addEventListener("click", onClick);
          document.addEventListener("visibilitychange", keepAwake);
          keepAwake();
          watch = window.setInterval(listen, 500);
          if (window.speechSynthesis) {
            window.speechSynthesis.getVoices(); // they come a little later
          }
          look();
        }
        return window.dash_clientside.no_update;
      },
    },
  });
})();
