/* Files: one is chosen, looked at and then recorded; others are downloaded, and a refusal is said. */
(function () {
  "use strict";

  const SECONDS = 600;
  const chosen = new WeakMap();

  /* The page's library has no field for a file, so the script puts one where it belongs. */
  new MutationObserver(function () {
    for (const place of document.querySelectorAll("[data-file]")) {
      if (place.querySelector("input")) continue;
      const input = document.createElement("input");
      Object.assign(input, { type: "file", accept: ".csv,.txt,.xlsx,.xlsm" });
      input.setAttribute("aria-label", place.dataset.file);
      place.append(input);
    }
  }).observe(document.documentElement, { childList: true, subtree: true });

  function say(name, text) { document.getElementById(name + "-fault").textContent = text; }

  function bodyOf(form) {
    const body = new FormData();
    for (const [name, text] of Object.entries(window.toteproof.fieldsOf(form))) body.set(name, text);
    const file = form.querySelector("input[type=file]").files[0];
    if (file) body.set("file", file);
    return body;
  }

  /* While the server works: what it does, and the seconds so far; what is given ends it. */
  function wait(form, what) {
    const place = document.getElementById(form.dataset.name + "-waiting");
    if (!place) return () => {};
    const [doing, seconds] = place.querySelectorAll("span");
    const start = Date.now();
    const tick = function () { seconds.textContent = " " + place.dataset.seconds.replace("{seconds}", Math.round((Date.now() - start) / 1000)); };
    place.hidden = false;
    doing.textContent = place.dataset[what];
    tick();
    const ticking = setInterval(tick, 1000);
    return () => { clearInterval(ticking); place.hidden = true; doing.textContent = ""; };
  }

  async function sendFile(form, where, more) {
    const name = form.dataset.name;
    for (const each of form.querySelectorAll(".fault")) each.textContent = "";
    say(name, "");
    const body = bodyOf(form);
    for (const [key, text] of Object.entries(more)) body.set(key, text);
    form.setAttribute("aria-busy", "true");
    const done = wait(form, where === form.dataset.look ? "look" : "record");
    const answer = await window.toteproof.send(where, body, SECONDS);
    form.removeAttribute("aria-busy");
    done();
    if (answer === null) { say(name, form.dataset.unsent); return null; }
    if (!answer.refused) return answer;
    for (const [field, said] of Object.entries(answer.problems || {})) {
      (document.getElementById(name + "-" + field + "-fault") || document.getElementById(name + "-fault")).textContent = said;
    }
    if (answer.trouble) say(name, answer.trouble);
    return null;
  }

  const show = (form, children) => window.dash_clientside.set_props(form.dataset.name + "-shown", { children: children });

  document.addEventListener("submit", async function (event) {
    const form = event.target.closest("form[data-look]");
    if (!form) return;
    event.preventDefault();
    if (form.getAttribute("aria-busy")) return;
    show(form, null);
    const answer = await sendFile(form, form.dataset.look, {});
    if (!answer) return;
    chosen.set(form, answer.digest);
    show(form, answer.shown);
  });

  /* Anything changed after the look is another import. */
  document.addEventListener("input", function (event) {
    const form = event.target.closest("form[data-look]");
    if (form && event.target.id !== form.dataset.name + "-who" && chosen.delete(form)) show(form, null);
  });

  function save(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }

  async function download(button, where, how) {
    const fault = document.getElementById(button.dataset.faultAt);
    fault.textContent = "";
    button.disabled = true;
    try {
      const answer = await fetch(where, how);
      if (answer.ok) save(await answer.blob(), button.dataset.save);
      else fault.textContent = (await answer.json()).trouble;
    } catch (reason) {
      fault.textContent = button.dataset.unsent;
    } finally {
      button.disabled = false;
    }
  }

  document.addEventListener("click", async function (event) {
    const button = event.target.closest("[data-record], [data-rejects], [data-download]");
    if (!button || button.disabled) return;
    if (button.dataset.download) { await download(button, button.dataset.download, {}); return; }
    const form = document.querySelector("form[data-look]");
    if (button.dataset.rejects) {
      const how = { method: "POST", headers: { "X-Requested-With": "toteproof" }, body: bodyOf(form) };
      await download(button, button.dataset.rejects, how);
      return;
    }
    button.disabled = true;
    const answer = await sendFile(form, button.dataset.record, { digest: chosen.get(form) || "" });
    button.disabled = false;
    if (answer) show(form, answer.shown);
  });
})();
