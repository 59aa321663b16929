// Forms of the job record: native controls made of data (`data-form`), and what was typed sent to one address.
// What was refused stays typed, with the reason at its field; a draft outlives the page until it is entered.
(function () {
  "use strict";

  const BY = "soakbench-by";
  const DRAFT = "soakbench-draft ";
  const MOST_RADIOS = 7;
  let made = 0;

  function element(tag, attributes, children) {
    const found = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value !== undefined && value !== null && value !== false) {
        found.setAttribute(name, value === true ? "" : value);
      }
    }
    found.append(...(children || []));
    return found;
  }

  function kept(storage, key) {
    try {
      return storage().getItem(key);
    } catch (error) {
      return null; // a browser may keep nothing at all
    }
  }

  function keep(storage, key, value) {
    try {
      if (value === null) {
        storage().removeItem(key);
      } else {
        storage().setItem(key, value);
      }
    } catch (error) {
      // then it lasts as long as the page
    }
  }

  const ofTab = () => window.sessionStorage;
  const ofBrowser = () => window.localStorage;

  // A time is sent with its zone; a control shows this browser's clock, to the minute.
  function toLocal(text) {
    const at = new Date(text);
    if (!text || Number.isNaN(at.getTime())) {
      return "";
    }
    const two = (n) => String(n).padStart(2, "0");
    const day = at.getFullYear() + "-" + two(at.getMonth() + 1) + "-" + two(at.getDate());
    return day + "T" + two(at.getHours()) + ":" + two(at.getMinutes());
  }

  function fromLocal(text) {
    return text ? new Date(text).toISOString() : "";
  }

  // One field: its element, how its text is read and set, and where its fault stands.
  function fieldOf(told, id, known) {
    const describes = [];
    const around = element("div", { class: "field of-" + told.kind });
    const name = told.label + (told.unit ? ", in " + told.unit : "");
    const label = [name];
    if (told.needed) {
      label.push(element("span", { class: "needed" }, [" needed"]));
    }
    if (told.hint) {
      describes.push(id + "-hint");
    }
    describes.push(id + "-fault");
    const described = { "aria-describedby": describes.join(" ") };
    const field = { told: told, around: around, id: id };
    const several = told.kind === "several";
    const radios = told.kind === "choice" && told.options && !told.grows && told.options.length <= MOST_RADIOS;
    if (several || radios) {
      const boxes = (told.options || []).map(([value, text], at) =>
        element("input", {
          type: several ? "checkbox" : "radio",
          name: id,
          id: id + "-" + at,
          value: value,
          "data-text": text,
        })
      );
      const choices = boxes.map((box) =>
        element("label", { class: "choice-one", for: box.id }, [box, element("span", {}, [box.dataset.text])])
      );
      around.append(
        element("fieldset", described, [
          element("legend", {}, label),
          element("div", { class: "choices-many" }, choices),
        ])
      );
      field.control = boxes[0];
      field.read = () =>
        boxes
          .filter((box) => box.checked)
          .map((box) => box.value)
          .join(", ");
      field.set = (text) => {
        const on = several ? text.split(", ") : [text];
        boxes.forEach((box) => (box.checked = on.includes(box.value)));
      };
    } else if (told.kind === "yes") {
      const box = element("input", { type: "checkbox", id: id, ...described });
      around.append(element("label", { class: "choice-one", for: id }, [box, element("span", {}, label)]));
      field.control = box;
      field.read = () => (box.checked ? "yes" : "");
      field.set = (text) => (box.checked = Boolean(text));
    } else {
      let control;
      if (told.options) {
        const options = told.options.map(([value, text]) => element("option", { value: value }, [text]));
        control = element("select", { id: id, ...described }, options);
      } else if (told.kind === "text") {
        control = element("textarea", { id: id, rows: told.short ? 1 : 3, ...described });
      } else {
        const kinds = { number: "text", time: "datetime-local", file: "file" };
        control = element("input", {
          id: id,
          type: kinds[told.kind] || "text",
          inputmode: told.kind === "number" ? "decimal" : undefined,
          accept: told.accept,
          autocomplete: "off",
          list: (known || []).length ? id + "-known" : undefined,
          ...described,
        });
      }
      if (told.needed) {
        control.setAttribute("aria-required", "true");
      }
      around.append(element("label", { for: id }, label), control);
      if ((known || []).length) {
        const options = known.map((text) => element("option", { value: text }));
        around.append(element("datalist", { id: id + "-known" }, options));
      }
      field.control = control;
      const timed = told.kind === "time";
      field.read = () => (timed ? fromLocal(control.value) : told.kind === "file" ? "" : control.value);
      field.set = (text) => {
        if (told.kind !== "file") {
          control.value = timed ? toLocal(text) : text;
        }
      };
    }
    if (told.hint) {
      around.append(element("p", { class: "hint", id: id + "-hint" }, [told.hint]));
    }
    field.note = element("p", { class: "stands", hidden: true });
    field.fault = element("p", { class: "fault", id: id + "-fault" });
    around.append(field.note, field.fault);
    return field;
  }

  function build(place) {
    const told = JSON.parse(place.dataset.form);
    const id = "form" + ++made;
    const draftKey = DRAFT + [location.pathname, told.deed, told.table, told.row].join(" ");
    const fields = told.fields.map((one) => fieldOf(one, id + "-" + one.name, told.known[one.known]));
    const by = fieldOf(
      {
        name: "by",
        label: told.signed ? "Signed" : "Your name",
        kind: "line",
        needed: true,
        hint: told.signed ? "" : "It stands beside what you enter; this browser remembers it.",
      },
      id + "-by"
    );
    const all = [...fields, by];
    const said = element("p", { class: "asked", role: "status", tabindex: "-1" });
    const plan = told.plan ? element("ul", { class: "plan", "aria-live": "polite" }) : null;
    const button = element("button", { type: "submit", class: "key", "data-changes": true }, [told.button]);
    const other = element("button", { type: "button", class: "way" }, ["another name"]);
    const as = element("p", { class: "as" });
    const more = element("details", { class: "more" }, [element("summary", {}, ["More"])]);
    let busy = false;
    const key = newKey(); // what is sent twice, since no answer came, is entered once

    function newKey() {
      const bytes = window.crypto.getRandomValues(new Uint8Array(16));
      return [...bytes].map((one) => one.toString(16).padStart(2, "0")).join("");
    }

    fields.forEach((field) => {
      field.set(field.told.value);
      field.first = field.read(); // what a control makes of it: a time to the minute
    });
    const name = kept(ofBrowser, BY) || "";
    if (!told.signed) {
      by.set(name);
    }
    by.around.hidden = !told.signed && (Boolean(name) || told.stays);
    as.hidden = !by.around.hidden || told.stays;
    as.append("Entered as " + name + ". ", other);
    other.addEventListener("click", () => {
      by.around.hidden = false;
      as.hidden = true;
      by.control.focus();
      by.control.select();
    });

    const draft = JSON.parse(kept(ofTab, draftKey) || "null");
    if (draft) {
      let back = false;
      for (const field of fields) {
        if (typeof draft[field.told.name] === "string" && draft[field.told.name] !== field.first) {
          field.set(draft[field.told.name]);
          back = true;
        }
      }
      if (back) {
        said.textContent = "What you typed before, and did not enter, stands here again.";
      }
    }

    function shown() {
      more.open = more.open || fields.some((field) => field.told.more && field.read() && field.told.kind !== "choice");
      for (const field of fields) {
        const when = field.told.when;
        if (when) {
          const asked = fields.find((one) => one.told.name === when[0]);
          field.around.hidden = asked ? !when[1].includes(asked.read().trim()) : false;
        }
      }
    }

    let planned = null;
    async function tellPlan() {
      const shows = fields.find((one) => one.told.name === "shows");
      if (!plan || !shows || planned === shows.read()) {
        return;
      }
      planned = shows.read();
      try {
        const at = window.dash_clientside.soakbench.at("/record/plan?shows=" + encodeURIComponent(planned));
        const answer = await (await fetch(at)).json();
        plan.replaceChildren(...answer.says.map((text) => element("li", {}, [text])));
      } catch (error) {
        plan.replaceChildren(); // it is told on the job's page too
      }
    }

    function wrong(field, text) {
      field.fault.textContent = text;
      if (text) {
        field.control.setAttribute("aria-invalid", "true");
        field.around.hidden = false;
      } else {
        field.control.removeAttribute("aria-invalid");
      }
      field.around.classList.toggle("wrong", Boolean(text));
      if (text && field.told.more) {
        more.open = true;
      }
    }

    function changed() {
      const draft = {};
      for (const field of fields) {
        if (field.read() !== field.first) {
          draft[field.told.name] = field.read();
        }
      }
      keep(ofTab, draftKey, JSON.stringify(draft));
      shown();
      tellPlan();
    }

    // What somebody else wrote meanwhile: fields of this form that were left alone take it, the others show both.
    function overtaken(answer) {
      told.seen = answer.seen;
      for (const field of fields) {
        const theirs = answer.stands[field.told.name];
        const was = field.told.value;
        if (theirs === undefined || theirs === was) {
          continue;
        }
        const mine = field.read() !== field.first;
        field.told.value = theirs;
        if (!mine) {
          field.set(theirs);
          field.first = field.read();
          continue;
        }
        const typed = field.read();
        field.set(theirs);
        field.first = field.read();
        field.set(typed);
        const take = element("button", { type: "button", class: "key" }, ["Take it"]);
        take.addEventListener("click", () => {
          field.set(theirs);
          field.note.hidden = true;
          changed();
          field.control.focus();
        });
        field.note.replaceChildren(
          element("span", {}, ["It now stands in the record as: "]),
          element("q", {}, [theirs === "" ? "nothing" : field.told.kind === "time" ? toLocal(theirs) : theirs]),
          take
        );
        field.note.hidden = false;
      }
    }

    function say(text, trouble) {
      said.textContent = text;
      said.classList.toggle("trouble", Boolean(trouble));
    }

    function entry() {
      const said = {};
      for (const field of fields) {
        const text = field.read();
        const untouched = told.seen !== null && told.deed === "edit" && text === field.first;
        if (field.told.kind !== "file" && !field.around.hidden && !untouched) {
          said[field.told.name] = text;
        }
      }
      return {
        deed: told.deed,
        job: told.job,
        table: told.table,
        row: told.row,
        seen: told.seen,
        said: said,
        by: by.read().trim() || kept(ofBrowser, BY) || "",
        key: key,
      };
    }

    function tooLarge() {
      const field = fields.find((one) => one.told.kind === "file");
      const file = field && field.control.files[0];
      if (file && field.told.most_bytes && file.size > field.told.most_bytes) {
        const most = Math.round(field.told.most_bytes / 1e6);
        wrong(field, "The file is larger than " + most + " MB: make it smaller, then choose it again.");
        field.control.focus();
        return true;
      }
      return false;
    }

    async function send() {
      if (busy) {
        return;
      }
      all.forEach((field) => wrong(field, ""));
      if (tooLarge()) {
        return;
      }
      const body = entry();
      if (told.deed === "edit" && Object.keys(body.said).length === 0) {
        say("Nothing was changed yet.", true);
        return;
      }
      busy = true;
      button.setAttribute("aria-disabled", "true");
      say("being entered …");
      let sent = body;
      const file = fields.find((one) => one.told.kind === "file");
      if (file) {
        sent = new FormData();
        sent.append("entry", JSON.stringify(body));
        if (file.control.files[0]) {
          sent.append("file", file.control.files[0]);
        }
      }
      const answer = await window.dash_clientside.soakbench.post("/record", sent);
      busy = false;
      button.removeAttribute("aria-disabled");
      if (answer.state === "done") {
        keep(ofTab, draftKey, null);
        keep(ofBrowser, BY, body.by);
        done(answer);
        return;
      }
      const faults = answer.faults || {};
      let first = null;
      for (const field of all) {
        const text = faults[field.told.name];
        if (text) {
          wrong(field, text);
          first = first || field;
        }
      }
      const elsewhere = Object.keys(faults).filter((one) => !all.some((field) => field.told.name === one));
      const reasons = [answer.reason, ...elsewhere.map((one) => faults[one])].filter(Boolean);
      if (answer.stands) {
        overtaken(answer);
        reasons.push("What you typed still stands below: look at both, then save again, or take theirs.");
      }
      if (answer.state === "not reached") {
        reasons.push("What you typed still stands here: try again when it is back.");
      }
      say(reasons.join(" ") || "Not entered: see what is marked.", true);
      (first ? first.control : said).focus();
    }

    function done(answer) {
      if (!told.stays) {
        const to = window.dash_clientside.soakbench.at(answer.to || location.pathname);
        window.dash_clientside.set_props("address", { pathname: to });
        return;
      }
      const line = element("p", { class: "asked done", role: "status", tabindex: "-1" }, ["Noted: " + answer.says + "."]);
      const next = nextForm(place);
      place.replaceChildren(line);
      const opened = next && next.closest("details");
      if (opened) {
        opened.open = true;
      }
      (next || line).focus();
    }

    const often = fields.filter((field) => !field.told.more);
    more.append(...fields.filter((field) => field.told.more).map((field) => field.around));
    const form = element("form", { novalidate: true, autocomplete: "off" }, [
      ...often.flatMap((field) => (plan && field.told.name === "shows" ? [field.around, plan] : [field.around])),
      ...(often.length < fields.length ? [more] : []),
      by.around,
      element("div", { class: "send" }, [button, as]),
      said,
    ]);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      send();
    });
    form.addEventListener("input", changed);
    form.addEventListener("change", changed);
    place.replaceChildren(form);
    shown();
    tellPlan();
  }

  function nextForm(place) {
    const forms = [...document.querySelectorAll(".form")];
    const next = forms.slice(forms.indexOf(place) + 1).find((one) => one.querySelector("form"));
    return next ? next.querySelector("input, select, textarea") : null;
  }

  function buildAll() {
    for (const place of document.querySelectorAll("[data-form]")) {
      if (place.built !== place.dataset.form) {
        place.built = place.dataset.form;
        build(place);
      }
    }
  }

  // A report takes seconds to make: said meanwhile, and what can't be made is said in the page.
  async function report(link) {
    const said = document.getElementById("report-said");
    if (link.getAttribute("aria-disabled")) {
      return;
    }
    link.setAttribute("aria-disabled", "true");
    said.classList.remove("trouble");
    said.textContent = "The report is being made, it takes some seconds …";
    try {
      const answer = await fetch(link.href);
      if (answer.ok) {
        const address = URL.createObjectURL(await answer.blob());
        element("a", { href: address, download: link.dataset.report }).click();
        window.setTimeout(() => URL.revokeObjectURL(address), 60000);
        said.textContent = "The report is made: " + link.dataset.report + " is among your downloads.";
      } else {
        said.classList.add("trouble");
        said.textContent = await answer.text();
      }
    } catch (error) {
      said.classList.add("trouble");
      said.textContent = "The dashboard does not answer: see where it was started, then try again.";
    }
    link.removeAttribute("aria-disabled");
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-report]");
    if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
      event.preventDefault();
      report(link);
    }
  });

  new MutationObserver(buildAll).observe(document.documentElement, {
    childList: true,
    subtree: true,
    attributes: true,
    attributeFilter: ["data-form"],
  });
  buildAll();
})();
