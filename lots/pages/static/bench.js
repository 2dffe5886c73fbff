// The bench by keyboard: Enter moves to the next field, and only Store or Ctrl+Enter stores. The result is shown at once.
(function () {
  "use strict";
  const TWICE_MS = 60, PATIENCE_MS = 20000; // a gauge that ends a value with two line ends; how long to wait for the server
  let sending = false, entered = 0;

  const rowsOf = (form) => [...form.querySelectorAll("fieldset[data-row]")];
  const fieldsOf = (row) => [...row.querySelectorAll("input:not([type=checkbox])")];
  const base = (field) => field.name.replace(/-\d+$/, "");

  function say(form, text) {
    form.querySelector("[data-said]").textContent = text;
  }

  // The fields of a row that Enter visits: required fields, and fields that the row before has filled.
  function run(row) {
    const fields = fieldsOf(row), before = row.previousElementSibling;
    const needed = fields.filter((one) => "needed" in one.dataset);
    const always = needed.length ? needed : fields.filter((one) => one.inputMode === "decimal");
    const filled = before && before.matches("fieldset[data-row]") ? fieldsOf(before).filter((one) => one.value).map(base) : [];
    return fields.filter((one) => always.includes(one) || filled.includes(base(one)));
  }

  function move(field) {
    field.focus();
    if (field.select) field.select();
    return field;
  }

  // Writes another row below the last one.
  function anotherRow(form, last) {
    const number = Number(last.dataset.row) + 1;
    if (number >= Number(form.dataset.most)) return null;
    const row = last.cloneNode(true), renamed = (text) => text.replace(/-\d+(?= |$)/g, "-" + number);
    row.dataset.row = number;
    row.querySelector("legend").textContent = form.dataset.rowName + " " + (number + 1);
    row.querySelectorAll("[id], [for], [name], [data-of]").forEach((one) => {
      ["id", "for", "name", "data-of"].filter((name) => one.hasAttribute(name))
        .forEach((name) => one.setAttribute(name, renamed(one.getAttribute(name))));
    });
    row.querySelectorAll(".checked, p.told").forEach((one) => one.remove());
    row.querySelectorAll(".wrong").forEach((one) => one.classList.remove("wrong"));
    row.querySelectorAll("input, select").forEach((one) => {
      ["required", "autofocus", "aria-invalid", "aria-describedby"].forEach((name) => one.removeAttribute(name));
      if (one.type === "checkbox") one.checked = false;
      else if (one.tagName === "INPUT") one.value = "";
      else one.selectedIndex = turn(form, one, last);
    });
    row.querySelectorAll(".lies").forEach((one) => { one.hidden = true; one.querySelector(".words").textContent = ""; });
    last.after(row);
    return row;
  }

  // A choice that differs from row to row, such as an axis, advances in turn.
  function turn(form, choice, last) {
    const now = last.querySelector(`select[name="${base(choice)}-${last.dataset.row}"]`);
    const rows = rowsOf(form).map((row) => row.querySelector(`select[name="${base(choice)}-${row.dataset.row}"]`).selectedIndex);
    return new Set(rows).size > 1 ? (now.selectedIndex + 1) % now.options.length : now.selectedIndex;
  }

  // The field after Enter; the same field where the focus stays.
  function after(field, form) {
    const row = field.closest("fieldset[data-row]"), rows = rowsOf(form);
    if (!row) {
      const shared = [...form.querySelectorAll(".row input:not([type=checkbox])")], place = shared.indexOf(field);
      return (place >= 0 && shared[place + 1]) || rows.map((one) => run(one)).flat().find((one) => !one.value) || field;
    }
    const through = run(row), all = through.includes(field) ? through : fieldsOf(row);
    if (!field.value.trim() && "needed" in field.dataset) return field;
    const next = all[all.indexOf(field) + 1];
    if (next) return next;
    const below = rows[rows.indexOf(row) + 1] || anotherRow(form, row);
    return below ? run(below)[0] : field;
  }

  function tell(form) {
    const full = rowsOf(form).filter((row) => run(row).some((one) => one.value) && run(row).every((one) => one.value || !("needed" in one.dataset))).length;
    const wanted = Number(form.dataset.wanted);
    say(form, wanted && full >= wanted ? full + " of " + wanted + " required readings are entered. Press Store." : "");
  }

  // The spool code that was scanned into a value field; "" for anything else.
  function scannedCode(field) {
    const text = field.value.trim(), address = /^https?:\/\/\S*\/spools\/([^/?#]+)/i.exec(text);
    if (address) {
      try {
        return decodeURIComponent(address[1]);
      } catch (odd) {
        return address[1];
      }
    }
    return field.inputMode === "decimal" && /^[a-z]/i.test(text) ? text : "";
  }

  function toSpool(code, field, form) {
    field.value = "";
    field.dispatchEvent(new Event("input", { bubbles: true }));
    if (code.toLowerCase() === form.dataset.spool.toLowerCase()) {
      say(form, "This is spool " + form.dataset.spool + ".");
      return;
    }
    const scan = document.querySelector("form[data-scan]"), typed = rowsOf(form).some((row) => fieldsOf(row).some((one) => one.value));
    scan.elements.spool.value = code;
    if (typed) say(form, "Spool " + code + " was scanned. First store the readings of spool " + form.dataset.spool + ".");
    else scan.requestSubmit();
  }

  document.addEventListener("keydown", (event) => {
    const field = event.target, form = field.closest && field.closest("form[data-bench]");
    if (event.key !== "Enter" || event.isComposing || !form) return;
    if (event.ctrlKey || event.metaKey) {
      event.preventDefault();
      if (!event.repeat) form.requestSubmit(form.querySelector("[data-store]"));
      return;
    }
    if (field.tagName !== "INPUT") return;
    event.preventDefault();
    const again = event.timeStamp - entered < TWICE_MS && !field.value;
    entered = event.timeStamp;
    if (again || event.repeat) return;
    const code = scannedCode(field);
    if (code) toSpool(code, field, form);
    else {
      move(after(field, form));
      tell(form);
    }
  });

  // Several values at once, as some gauges and spreadsheets paste them.
  document.addEventListener("paste", (event) => {
    const form = event.target.closest && event.target.closest("form[data-bench]");
    const values = event.clipboardData.getData("text").split(/[\r\n\t;]+/).filter((one) => one.trim());
    if (!form || !event.target.closest("fieldset[data-row]") || values.length < 2) return;
    event.preventDefault();
    let field = event.target;
    values.forEach((one) => {
      field.value = one.trim();
      field.dispatchEvent(new Event("input", { bubbles: true }));
      field = move(after(field, form));
    });
    tell(form);
  });

  function shown() {
    document.querySelectorAll("[data-keys]").forEach((one) => { one.hidden = false; });
    document.dispatchEvent(new Event("bench-shown"));
  }

  function show(page) {
    document.querySelector("main").replaceChildren(...page.querySelector("main").childNodes);
    document.title = page.title;
    const first = document.querySelector("main [autofocus]");
    if (first) first.focus({ preventScroll: true });
    if (document.querySelector("main [aria-invalid]")) first.scrollIntoView({ block: "center" });
    else window.scrollTo(0, 0);
    shown();
  }

  async function send(sent, body) {
    const stop = new AbortController(), patience = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(sent.action, { method: "POST", body, headers: { Accept: "text/html" }, signal: stop.signal });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      // Signed out, or an error of the server. What was typed stays.
      if (answer.redirected && new URL(answer.url).pathname !== location.pathname) return "You are signed out. Note what you typed, then sign in.";
      if (answer.status >= 500 || !page.querySelector("main")) return "The server could not store this. What you typed is still here. Press Store again.";
      show(page);
      if (answer.redirected) history.pushState(null, "", answer.url);
      else history.replaceState(null, "", location.href);
    } catch (away) {
      return "The server does not answer. What you typed is still here. Press Store again. Nothing is stored twice.";
    } finally {
      clearTimeout(patience);
    }
    return "";
  }

  document.addEventListener("submit", async (event) => {
    const sent = event.target;
    if (!sent.matches("form[data-bench], form.undo") || !window.fetch) return;
    event.preventDefault();
    if (sending) return;
    sending = true;
    const body = new URLSearchParams(new FormData(sent));
    if (sent.matches("form[data-bench]")) say(sent, "One moment.");
    if (event.submitter && event.submitter.name) body.append(event.submitter.name, event.submitter.value);
    try {
      const trouble = await send(sent, body), form = document.querySelector("form[data-bench]");
      if (trouble && form) say(form, trouble);
    } finally {
      sending = false;
    }
  });

  // Going back loads the result again and sends nothing.
  window.addEventListener("popstate", async () => {
    const here = location.href;
    try {
      const page = new DOMParser().parseFromString(await (await fetch(here)).text(), "text/html");
      if (here === location.href) show(page);
    } catch (away) {
      location.reload();
    }
  });
  shown();
})();
