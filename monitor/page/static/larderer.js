// Keeps a page fresh and honest. Every form works without this file; it only renews what is shown, lets ages go on
// ageing, and says when the connection is lost. It never changes anything.
"use strict";
(function () {
  const wire = document.getElementById("wire");
  if (!wire) return;
  const live = document.querySelector("[data-live]");
  // The server's clock less this phone's; ages are told by the server's.
  let skew = Number(wire.dataset.now) - Date.now();
  let seen = Date.now(); // when the server last answered
  let shown = Date.now(); // when what is on the page was made
  let held = false; // something newer waits until the finger is off
  const said = document.getElementById("wire-said");
  let lost = false;
  let busy = false;
  let again = false;

  function about(ms) {
    const s = Math.max(0, Math.floor(ms / 1000));
    if (s < 60) return s + " s";
    const m = Math.floor(s / 60);
    if (m < 10) return m + " min" + (s % 60 ? " " + (s % 60) + " s" : "");
    if (m < 60) return m + " min";
    const h = Math.floor(m / 60);
    if (h < 48) return h + " h" + (m % 60 ? " " + (m % 60) + " min" : "");
    return Math.floor(h / 24) + " d" + (h % 24 ? " " + (h % 24) + " h" : "");
  }

  function tell() {
    const now = Date.now() + skew;
    for (const one of document.querySelectorAll("time.age[data-at]")) {
      const age = now - Number(one.dataset.at);
      one.textContent = about(age) + " ago";
      if (one.dataset.late) one.classList.toggle("late", age > Number(one.dataset.late));
    }
    const gone = lost || Date.now() - seen > 20000;
    if (gone !== wire.classList.contains("lost")) said.textContent = gone ? "Connection lost." : "Connected again.";
    wire.classList.toggle("lost", gone);
    const text = gone
      ? "Connection lost. What you see is " + about(Date.now() - shown) + " old (as of " + wire.dataset.clock + "). Alarms still ring by their bells. Trying again."
      : !live ? "Connected; this page as of " + wire.dataset.clock + "."
      : held ? "Held still while you are on it, as of " + wire.dataset.clock + "."
      : "Live, as of " + wire.dataset.clock + ".";
    if (wire.textContent !== text) wire.textContent = text;
  }

  // What a finger is on must not be taken away from under it.
  function inHand() {
    return live.contains(document.activeElement) || live.querySelector(":active") !== null;
  }

  async function renew() {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.pathname + "?part=1", { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(10000) });
      if (answer.status === 401) { location.reload(); return; }
      if (!answer.ok) throw new Error(String(answer.status));
      const text = await answer.text();
      heard();
      held = inHand();
      if (!held) {
        live.innerHTML = text;
        shown = Date.now();
        skew = Number(answer.headers.get("X-Now")) - shown;
        wire.dataset.clock = answer.headers.get("X-Clock");
      }
    } catch (error) {
      lost = true;
    } finally {
      busy = false;
      tell();
      if (again) { again = false; renew(); }
    }
  }

  function heard() {
    lost = false;
    seen = Date.now();
  }

  const stream = new EventSource("/live");
  stream.onmessage = function () { if (live) renew(); else { heard(); tell(); } };
  stream.onerror = function () {
    lost = true;
    tell();
    // A stream that the server refused is closed for good by the browser; look again whether it answers.
    if (stream.readyState === EventSource.CLOSED) setTimeout(function () { location.reload(); }, 30000);
  };
  // A browser opens few connections to one host: a page that is left must give its own back.
  window.addEventListener("pagehide", function () { stream.close(); });
  window.addEventListener("offline", function () { lost = true; tell(); });
  window.addEventListener("pageshow", function (event) { if (event.persisted) location.reload(); });

  // A form sent into nothing would be replaced by the browser's error page and what was typed with it.
  document.addEventListener("submit", function (event) {
    const form = event.target;
    if (!lost || form.dataset.sure) return;
    event.preventDefault();
    const button = event.submitter;
    fetch("/api/v1/health", { cache: "no-store", signal: AbortSignal.timeout(4000) }).then(
      function () { form.dataset.sure = "1"; form.requestSubmit(button); },
      function () {
        let note = form.querySelector(".unsent");
        if (!note) { note = document.createElement("p"); note.className = "unsent wrong"; note.setAttribute("role", "alert"); form.append(note); }
        note.textContent = "No connection: nothing was sent. What you wrote is still here; press again when you are connected.";
      }
    );
  });

  // Paper cannot be tapped open: what is folded, but for forms, is printed unfolded (by the style sheet too, where a browser can).
  window.addEventListener("beforeprint", function () {
    for (const one of document.querySelectorAll("details:not([open]):not(.more)")) { one.open = true; one.dataset.printed = "1"; }
  });
  window.addEventListener("afterprint", function () {
    for (const one of document.querySelectorAll("details[data-printed]")) { one.open = false; delete one.dataset.printed; }
  });

  const first = document.querySelector("[data-focus]");
  if (first) { first.scrollIntoView({ block: "center" }); first.focus(); }
  setInterval(tell, 1000);
  tell();
})();
