/* Links inside the app without a reload; the page's title; what is sent, and its answers. */
(function () {
  "use strict";

  const SECONDS = 10;

  /* Whatever the page sends to its own server carries the token that the browser was given; an
     answer that nobody is signed in any more is told on the page. */
  const fetched = window.fetch.bind(window);
  window.fetch = async function (where, options) {
    const asked = new URL(where instanceof Request ? where.url : where, location.href);
    const own = asked.origin === location.origin;
    const sends = own && options && options.method && options.method !== "GET";
    const token = sends && document.cookie.match(/(?:^|; )_csrf_token=([^;]*)/);
    if (token) options = Object.assign({}, options, { headers: new Headers(options.headers || {}) });
    if (token) options.headers.set("X-CSRFToken", decodeURIComponent(token[1]));
    const answer = await fetched(where, options);
    if (own) heard(asked.pathname, answer.status);
    if (own && answer.status === 401) {
      const ended = document.getElementById("app-ended");
      if (ended) { ended.hidden = false; ended.querySelector("a").search = "?" + new URLSearchParams({ next: location.pathname + location.search }); }
    }
    return answer;
  };

  /* A store that does not answer: the page says so, asks again by itself, and then draws what it
     missed; a page that has nothing to show yet is loaded anew. */
  let missed = false;
  function heard(path, status) {
    const place = document.getElementById("app-away");
    if (status === 503 && path.startsWith("/_dash-")) missed = true;
    if (status === 503 && path === "/_dash-layout") setTimeout(() => location.reload(), SECONDS * 500);
    if (!place || path.startsWith("/assets/")) return;
    if (status === 503) place.hidden = false;
    else if (status < 400 && !place.hidden) back(place);
  }
  function back(place) {
    place.hidden = true;
    if (!missed) return;
    missed = false;
    if (document.querySelector("main .bone")) location.reload();
    else window.dash_clientside.set_props("app-address", { search: location.search });
  }
  setInterval(function () {
    const place = document.getElementById("app-away");
    if (place && !place.hidden) window.fetch("/_reload-hash").catch(() => {});
  }, SECONDS * 500);

  /* A key that sorts by time (RFC 9562, version 7); crypto.randomUUID would need HTTPS. */
  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    let time = Date.now();
    for (let i = 5; i >= 0; i--) { bytes[i] = time % 256; time = Math.floor(time / 256); }
    bytes[6] = (bytes[6] & 0x0f) | 0x70;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  }

  /* What came back, with `refused` where it was refused; null where nothing came back in time. */
  async function send(where, fields, seconds) {
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), (seconds || SECONDS) * 1000);
    const file = fields instanceof FormData;
    try {
      const answer = await fetch(where, {
        method: "POST",
        headers: file ? { "X-Requested-With": "toteproof" } : { "Content-Type": "application/json" },
        body: file ? fields : JSON.stringify(fields),
        signal: stop.signal,
      });
      const said = await answer.json();
      return answer.ok ? said : Object.assign({ refused: true, status: answer.status }, said);
    } catch (reason) {
      return null;
    } finally {
      clearTimeout(late);
    }
  }
  window.toteproof = Object.assign(window.toteproof || {}, { newKey: newKey, send: send, fieldsOf: fieldsOf });

  /* Small forms: fields are named by what follows the form's name in their ids. */
  const formOf = (element) => element.closest("form[data-send]");
  function fieldsOf(form) {
    const said = {};
    const start = form.dataset.name.length + 1;
    for (const input of form.querySelectorAll("input[id], select[id], textarea[id]")) said[input.id.slice(start)] = input.type === "password" ? input.value : input.value.trim();
    for (const group of form.querySelectorAll("[data-field]")) {
      const pressed = group.querySelector('[aria-pressed="true"]');
      said[group.dataset.field] = pressed ? pressed.dataset.value : "";
    }
    return said;
  }
  document.addEventListener("click", function (event) {
    const choice = event.target.closest("form[data-send] [data-value]");
    if (!choice) return;
    for (const each of choice.parentElement.querySelectorAll("[data-value]")) each.setAttribute("aria-pressed", String(each === choice));
  });
  document.addEventListener("submit", async function (event) {
    const form = formOf(event.target);
    if (!form) return;
    event.preventDefault();
    const name = form.dataset.name;
    const button = form.querySelector("[type=submit]");
    if (button.disabled) return;
    for (const each of form.querySelectorAll(".fault")) each.textContent = "";
    const fields = fieldsOf(form);
    const same = JSON.stringify(fields);
    if (form.dataset.sending !== same) { form.dataset.sending = same; form.dataset.key = newKey(); }
    fields.key = form.dataset.key;
    button.disabled = true;
    const answer = await send(form.dataset.send, fields, Number(form.dataset.seconds));
    button.disabled = false;
    const place = (field) => document.getElementById(name + "-" + field + "-fault") || document.getElementById(name + "-fault");
    if (answer === null) { document.getElementById(name + "-fault").textContent = form.dataset.unsent; return; }
    if (answer.refused) {
      for (const [field, said] of Object.entries(answer.problems || {})) place(field).textContent += said;
      if (answer.trouble) document.getElementById(name + "-fault").textContent = answer.trouble;
      return;
    }
    const told = document.getElementById(name + "-said");
    told.textContent = answer.said;
    if (answer.once) told.append(Object.assign(document.createElement("code"), { textContent: answer.once }));
    window.dash_clientside.set_props(name + "-fresh", { data: Date.now() });
  });

  document.addEventListener("click", function (event) {
    if (event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
    const link = event.target.closest("a[href]");
    if (!link || link.target || link.origin !== location.origin) return;
    if (link.getAttribute("href").startsWith("#") || link.closest("#app-ended")) return;
    if ("kept" in document.documentElement.dataset) return; // no other page is in it
    event.preventDefault();
    const turned = link.pathname !== location.pathname;
    for (const said of document.querySelectorAll("main .said")) said.textContent = "";
    history.pushState({}, "", link.href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    if (turned) window.scrollTo(0, 0);
  });

  /* A form that lives in the address: what it says takes the place of the same names there. */
  document.addEventListener("submit", function (event) {
    const form = event.target.closest("form[data-to]");
    if (!form) return;
    event.preventDefault();
    const said = new URLSearchParams(location.search);
    for (const [name, text] of new FormData(form)) said.set(name, text.trim());
    history.pushState({}, "", form.dataset.to + "?" + said);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  });

  /* A redraw makes elements anew; the one that had the keyboard's focus gets it back. */
  let focused = null;
  document.addEventListener("focusin", function (event) {
    const group = event.target.closest("nav, ol");
    focused = { element: event.target, id: event.target.id, text: event.target.textContent, group: group && group.getAttribute("aria-label") };
  });
  new MutationObserver(function () {
    document.querySelectorAll("[data-fault-of]").forEach(function (fault) {
      const field = document.getElementById(fault.dataset.faultOf);
      if (!field || field.getAttribute("aria-describedby") === fault.id) return;
      field.setAttribute("aria-invalid", "true");
      field.setAttribute("aria-describedby", fault.id);
    });
    if (!focused || focused.element.isConnected || document.activeElement !== document.body) return;
    const same = focused.id
      ? document.getElementById(focused.id)
      : focused.group && Array.from(document.querySelectorAll("[aria-label=" + JSON.stringify(focused.group) + "] a")).find((each) => each.textContent === focused.text);
    if (same) same.focus({ preventScroll: true });
  }).observe(document.documentElement, { childList: true, subtree: true });

  /* The title says which page it is, and what of it, as its heading does. */
  new MutationObserver(function () {
    const heading = document.querySelector("main h1"), name = document.querySelector(".bar-name");
    const title = heading && name && (heading.textContent + " \u00b7 " + name.textContent).replaceAll("\u00a0", " ");
    if (title && document.title !== title) document.title = title;
  }).observe(document.documentElement, { childList: true, characterData: true, subtree: true });

  document.addEventListener("click", function (event) {
    if (event.target.closest("[data-print]")) window.print();
  });

  /* A chart is drawn for the screen's width; on paper it would be cut, or all else made small. */
  const PAPER = 700; // points across a sheet of A4 or Letter, less its margins
  function charts(size) {
    for (const each of document.querySelectorAll(".js-plotly-plot")) window.Plotly.relayout(each, size);
  }
  window.addEventListener("beforeprint", () => charts({ autosize: false, width: PAPER }));
  window.addEventListener("afterprint", () => charts({ autosize: true, width: null }));
})();
