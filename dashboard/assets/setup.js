// The Set-up pages: line numbers beside the text, the way to a fault's line, saving, who is on the ports.
(function () {
  "use strict";

  const WAIT_MS = 400;
  let timer = null;
  let sent = null;
  let saving = false;
  let opened = { name: "", seen: "", text: "" }; // the file as it was last read or saved

  // What was typed and not saved outlives the page: a link may lead away from it without a question.
  function draft(name, value) {
    try {
      const store = window.sessionStorage;
      const key = "soakbench-set-up " + name;
      if (value === undefined) {
        return JSON.parse(store.getItem(key));
      }
      value ? store.setItem(key, JSON.stringify(value)) : store.removeItem(key);
    } catch (error) {
      // then it lasts as long as the page
    }
    return null;
  }

  function field() {
    return document.getElementById("setup-text");
  }

  function faulty() {
    const lines = document.querySelectorAll("#setup-says [data-line]");
    return new Set([...lines].map((button) => button.dataset.line));
  }

  function number() {
    const text = field();
    const gutter = document.getElementById("setup-lines");
    if (!text || !gutter) {
      return;
    }
    const many = text.value.split("\n").length;
    const wrong = faulty();
    const key = many + " " + [...wrong].join(",");
    if (gutter.dataset.key !== key) {
      gutter.dataset.key = key;
      gutter.replaceChildren(
        ...Array.from({ length: many }, (_, at) => {
          const line = document.createElement("div");
          line.textContent = at + 1;
          line.classList.toggle("wrong", wrong.has(String(at + 1)));
          return line;
        })
      );
    }
    gutter.scrollTop = text.scrollTop;
  }

  function tell() {
    const text = field();
    if (text && text.value !== sent) {
      sent = text.value;
      draft(opened.page, sent === opened.text ? null : { seen: opened.seen, name: opened.name, text: sent });
      window.dash_clientside.set_props("setup-typed", { data: sent });
    }
  }

  function toLine(wanted) {
    const text = field();
    const before = text.value.split("\n").slice(0, wanted - 1).join("\n");
    const start = before.length + (wanted > 1 ? 1 : 0);
    const end = text.value.indexOf("\n", start);
    text.focus();
    text.setSelectionRange(start, end < 0 ? text.value.length : end);
    const height = text.scrollHeight / text.value.split("\n").length;
    text.scrollTop = Math.max(0, (wanted - 3) * height);
    text.scrollIntoView({ block: "nearest" });
  }

  function put(text) {
    field().value = text;
    number();
    tell();
  }

  function say(words, trouble) {
    const place = document.querySelector(".setup-saved");
    if (place) {
      place.textContent = words;
      place.classList.toggle("trouble", Boolean(trouble));
    }
  }

  // The text may be another by the time the answer comes: what is known of the file is what was sent.
  async function save() {
    const text = field();
    const name = document.getElementById("setup-save-as").value.trim();
    if (saving || !text) {
      return;
    }
    saving = true;
    say("saving …");
    const wanted = { name: name, text: text.value, seen: opened.name === name ? opened.seen : "" };
    const answer = await window.dash_clientside.soakbench.post("/setup/save", wanted);
    saving = false;
    if (answer.state !== "done") {
      say(answer.reason + " What you typed is still here.", true);
      return;
    }
    opened = { page: opened.page, name: name, seen: answer.seen, text: wanted.text };
    if (text.value === wanted.text) {
      draft(opened.page, null);
    }
    const kept = answer.copy ? " What was there stays as " + answer.copy + "." : "";
    const wrong = answer.faults === 1 ? "1 fault" : answer.faults + " faults";
    const but = answer.faults ? " It has " + wrong + ": a soak can't begin with it." : "";
    say("Saved as " + name + "." + kept + but, Boolean(answer.faults));
  }

  async function ports(button) {
    const place = document.getElementById("setup-ports");
    button.disabled = true;
    place.textContent = "looking, which takes some seconds …";
    const answer = await window.dash_clientside.soakbench.post("/setup/ports", {});
    button.disabled = false;
    if (answer.state !== "done") {
      place.textContent = answer.reason;
      return;
    }
    if (!answer.ports.length) {
      place.textContent = "This machine lists no serial port: check the DAQ's lead and power.";
      return;
    }
    const list = document.createElement("ul");
    for (const one of answer.ports) {
      const row = document.createElement("li");
      row.textContent = one.port + (one.about ? " (" + one.about + ")" : "") + ": " + one.says;
      list.append(row);
    }
    place.replaceChildren(list);
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("button");
    if (!button) {
      return;
    }
    if (button.dataset.line) {
      toLine(Number(button.dataset.line));
    } else if (button.dataset.does === "save-set-up") {
      save();
    } else if (button.dataset.does === "set-up-back") {
      put(opened.text);
      say("This is the file as it was opened.");
    } else if (button.dataset.does === "ports") {
      ports(button);
    }
  });

  document.addEventListener("input", function (event) {
    if (event.target.id === "setup-text") {
      number();
      window.clearTimeout(timer);
      timer = window.setTimeout(tell, WAIT_MS);
    }
  });

  document.addEventListener(
    "scroll",
    function (event) {
      if (event.target.id === "setup-text") {
        document.getElementById("setup-lines").scrollTop = event.target.scrollTop;
      }
    },
    true
  );

  // Not saved, and leaving: the browser asks.
  window.addEventListener("beforeunload", function (event) {
    const text = field();
    if (text && text.value !== opened.text) {
      event.preventDefault();
    }
  });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    soakbenchSetup: {
      // What comes from the server is looked at as if it had been typed.
      put: function (file, page) {
        if (file) {
          sent = null;
          opened = { page: page, name: page, seen: file.seen, text: file.written ? "" : file.text };
          const typed = file.written ? null : draft(page);
          if (typed && typed.text !== file.text) {
            opened.seen = typed.seen;
            opened.name = typed.name;
            say("What you had typed and not saved is here again.");
          }
          put(typed ? typed.text : file.text);
        }
        return window.dash_clientside.no_update;
      },

      mark: function () {
        window.setTimeout(number, 0);
        return window.dash_clientside.no_update;
      },
    },
  });
})();
