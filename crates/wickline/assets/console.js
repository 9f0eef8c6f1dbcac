"use strict";
// Scans, keys and what is current. Everything works without this, but for being live.
(() => {
  const root = document.documentElement;
  root.dataset.live = "yes";
  const born = performance.now();

  // At once, not with the first picture: a scan may be quick.
  document.querySelector("[autofocus]")?.focus();

  // A scan is four characters or more, each soon after the last; told by the keys' own times, a timer only wakes it.
  const LEAST = 4, SOON = 35, QUIET = 80;
  let keys = [], timer = 0;
  // Where letters are written. On a box that is ticked or a button a scan is a scan, and its end presses nothing.
  const field = (at) => at && at.matches && at.matches("input:not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable]");
  const median = (all) => all.slice().sort((a, b) => a - b)[all.length >> 1];
  const isScan = () => {
    if (keys.length < LEAST) return false;
    const gaps = keys.slice(1).map((k, n) => k.at - keys[n].at);
    return median(gaps) <= SOON;
  };
  const done = () => {
    clearTimeout(timer);
    const all = keys, scan = isScan();
    keys = [];
    if (scan) return find(all.map((k) => k.key).join(""));
    if (all.length === 1 && root.dataset.keys === "true") go(all[0].key);
    return false;
  };
  const find = (text) => {
    const into = document.getElementById("find");
    if (!into) return false;
    into.value = text;
    into.form.requestSubmit();
    return true;
  };
  // A key goes where a tab or a part of the page has it; what it opens may be a form, never an act.
  const go = (key) => {
    const at = [...document.querySelectorAll(".tabs a[data-key], [data-go]")].find((a) => (a.dataset.go || a.dataset.key) === key);
    if (!at) return false;
    if (at.matches("summary")) { at.parentElement.open = true; at.parentElement.querySelector("input:not([type=hidden]), select")?.focus(); }
    else if (at.matches("input")) at.focus();
    else at.click();
    return true;
  };
  const rows = () => [...document.querySelectorAll("#sheet .row a.act, #sheet tbody th a")].filter((a) => a.checkVisibility());
  document.addEventListener("keydown", (event) => {
    if (event.altKey && !event.ctrlKey && event.key.length === 1) {
      if (go(event.key.toLowerCase())) event.preventDefault();
      return;
    }
    if ((event.key === "ArrowDown" || event.key === "ArrowUp") && !field(event.target)) {
      const all = rows(), at = all.indexOf(document.activeElement);
      // From a row to the next one; from anywhere else the page moves as it always does.
      const next = at < 0 ? null : all[at + (event.key === "ArrowDown" ? 1 : -1)];
      if (next) { event.preventDefault(); next.focus(); }
      return;
    }
    if (event.key === "Escape") {
      const open = event.target.closest?.("details[open]");
      if (open) { open.open = false; open.querySelector("summary").focus(); }
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (field(event.target)) return;
    if (event.key === "Enter" || event.key === "Tab") {
      if (keys.length >= LEAST && done()) event.preventDefault();
      else keys = [];
      return;
    }
    if (event.key.length !== 1) return;
    if (event.key === "/" && keys.length === 0) {
      event.preventDefault();
      document.getElementById("find")?.focus();
      return;
    }
    if (keys.length && event.timeStamp - keys[keys.length - 1].at > QUIET) done();
    keys.push({ key: event.key, at: event.timeStamp });
    clearTimeout(timer);
    timer = setTimeout(done, QUIET);
  });

  // Two scans: the first leads to the second, the second sends what both say, if they say the same.
  const first = document.querySelector("[data-scan=first]"), second = document.querySelector("[data-scan=second]");
  if (first && second) {
    const typed = new Map();
    for (const one of [first, second]) {
      one.addEventListener("paste", (event) => { if (one === second) event.preventDefault(); });
      one.addEventListener("keydown", (event) => typed.set(one, event.timeStamp));
    }
    first.addEventListener("keydown", (event) => {
      // With nothing in the second field the server looks at the first and shows what it knows of this specimen.
      if (event.key === "Tab" && first.value.length >= LEAST && !second.value) { event.preventDefault(); first.form.requestSubmit(); }
    });
    second.addEventListener("keydown", (event) => {
      if (event.key === "Tab" && second.value.length >= LEAST) { event.preventDefault(); second.form.requestSubmit(); }
      // A trigger that bounces is no second look.
      if (event.key === "Enter" && event.timeStamp - born < 700 && !typed.get(first)) {
        event.preventDefault();
        second.value = "";
        const soon = document.getElementById("soon");
        if (soon) soon.hidden = false;
      }
    });
  }

  // A scan into a field that is for words stays there: its end sends nothing.
  const hint = document.getElementById("scanned");
  for (const words of document.querySelectorAll("input[name=reason], input[type=password]")) {
    let burst = [];
    words.addEventListener("keydown", (event) => {
      if (event.key.length === 1) { burst.push(event.timeStamp); return; }
      const gaps = burst.slice(-8).map((at, n, all) => (n ? at - all[n - 1] : 0)).slice(1), late = event.timeStamp - (burst.at(-1) ?? 0);
      const scan = burst.length >= LEAST && median(gaps) <= SOON && late <= QUIET;
      burst = [];
      if (!scan || (event.key !== "Enter" && event.key !== "Tab")) return;
      event.preventDefault();
      if (words.type === "password" || !hint) return;
      hint.hidden = false;
      words.insertAdjacentElement("afterend", hint);
      hint.querySelector("button").onclick = () => find(words.value);
    });
  }

  // Fields of two scans: the first leads to the second, the second to the reason; nothing is sent before that.
  for (const one of document.querySelectorAll("[data-then]")) {
    one.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || !one.value) return;
      event.preventDefault();
      one.form.elements[one.dataset.then]?.focus();
    });
  }

  // All of a group at once, by a button that is pressed: nothing is ticked beforehand.
  for (const all of document.querySelectorAll("button[data-tick]")) {
    all.hidden = false;
    all.addEventListener("click", () => {
      for (const box of all.form.querySelectorAll("input[type=checkbox]")) {
        if (!box.checked) box.click();
      }
    });
  }

  // What was typed into a form that was refused stands there again; never a password, a second look or a hidden field.
  const refusal = document.querySelector("#told[data-typed]");
  if (refusal) {
    for (const [name, value] of new URLSearchParams(refusal.dataset.typed)) {
      // Two scans that differ are both made anew: a scanner cannot clear what stands there.
      if (name === "specimen" || name === "again") continue;
      const at = [...document.querySelectorAll("#sheet input, #sheet select, #sheet textarea")].find((f) => f.name === name && f.type !== "hidden" && f.type !== "password");
      if (!at || at.type === "checkbox" || at.type === "radio" || at.value) continue;
      at.value = value;
      const shut = at.closest("details");
      if (shut) shut.open = true;
    }
  }

  // The button counts what is ticked.
  for (const button of document.querySelectorAll("button[data-count]")) {
    const boxes = [...button.form.querySelectorAll("input[type=checkbox]")], plain = button.textContent;
    const count = () => {
      const n = boxes.filter((b) => b.checked).length;
      button.textContent = n ? button.dataset.count.replace("{n}", n) : plain;
      button.disabled = n === 0;
    };
    for (const box of boxes) box.addEventListener("change", count);
    count();
  }

  // Live: the sheet is fetched anew when something changed, never under the hand.
  const live = document.querySelector(".live"), sheet = document.getElementById("sheet");
  let heard = Date.now(), swapping = false, again = false;
  const busy = () => {
    const at = document.activeElement;
    if (at && at !== document.body && sheet.contains(at) && at.id !== "told") return true;
    if (sheet.querySelector("input:checked, details[open] form")) return true;
    return [...sheet.querySelectorAll("input:not([type=hidden]):not([type=checkbox]), textarea")].some((f) => f.value !== f.defaultValue);
  };
  const swap = async () => {
    if (swapping) { again = true; return; }
    if (busy() || getSelection().toString()) { newer(); return; }
    swapping = true;
    let done = false;
    try {
      const answer = await fetch(location.href, { headers: { "x-by-itself": "yes" }, redirect: "manual", cache: "no-store" });
      if (answer.type === "opaqueredirect") { location.reload(); return; }
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const fresh = page.getElementById("sheet");
        if (fresh && !busy()) {
          for (const row of fresh.querySelectorAll("tbody tr")) {
            const id = row.querySelector("th a")?.getAttribute("href");
            if (id && !sheet.querySelector(`th a[href="${CSS.escape(id)}"]`)) row.classList.add("fresh");
          }
          // What became of an act stays until the page is left: a code is shown once.
          const said = document.getElementById("told");
          sheet.replaceChildren(...fresh.childNodes);
          if (said && !document.getElementById("told")) sheet.prepend(said);
          document.getElementById("pages").querySelector("ul").replaceWith(page.getElementById("pages").querySelector("ul"));
          document.title = page.title;
          root.dataset.swaps = String(1 + Number(root.dataset.swaps || 0));
          done = true;
        }
      }
    } catch { /* The beat says when nobody answers. */ }
    if (done) { delete live.dataset.newer; current(); } else newer();
    setTimeout(() => { swapping = false; if (again) { again = false; swap(); } }, 500);
  };
  const says = () => { live.querySelector("b").textContent = live.dataset.newer ? live.dataset.later : live.dataset.live; };
  const current = (time) => {
    heard = Date.now();
    live.classList.remove("is-stale");
    says();
    if (time && !live.dataset.newer) live.querySelector("time").textContent = time;
  };
  // Something changed that is not shown: what is shown is of then, and is fetched anew as soon as it may be.
  const newer = () => { live.dataset.newer = "yes"; says(); };
  // One stream a browser: a browser has six connections to a host. Its tabs tell each other; who has no stream asks.
  const shared = window.BroadcastChannel ? new BroadcastChannel("wickline" + location.port) : null;
  const hear = (kind, time) => { current(time); if (kind === "changed" || live.dataset.newer) swap(); };
  if (live && sheet && window.EventSource) {
    let stream = null, asking = 0, count = "", leaving = null;
    const told = (kind) => (event) => { hear(kind, event.data); shared?.postMessage([kind, event.data]); };
    const ask = async () => {
      try {
        const answer = await fetch("/beat", { headers: { "x-by-itself": "yes" }, redirect: "manual", cache: "no-store" });
        if (answer.type === "opaqueredirect") { location.reload(); return; }
        const [now, time] = (await answer.text()).split(" ");
        if (!answer.ok) return;
        hear(count && now !== count ? "changed" : "beat", time);
        count = now;
      } catch { /* The beat says when nobody answers. */ }
    };
    const listen = () => {
      stream = new EventSource("/events");
      stream.addEventListener("beat", told("beat"));
      stream.addEventListener("changed", told("changed"));
      // All places are taken: it does not try again by itself.
      stream.addEventListener("error", () => { if (stream && stream.readyState === EventSource.CLOSED) asking ||= setInterval(ask, 5000); });
    };
    const open = () => {
      if (!navigator.locks || !shared) return listen();
      leaving = new AbortController();
      const lead = () => new Promise((done) => { leaving.signal.addEventListener("abort", done); listen(); });
      navigator.locks.request("wickline" + location.port, { signal: leaving.signal }, lead).catch(() => {});
    };
    const close = () => { stream?.close(); stream = null; leaving?.abort(); leaving = null; clearInterval(asking); asking = 0; };
    shared?.addEventListener("message", (event) => { if (!stream && !document.hidden) hear(...event.data); });
    setInterval(() => {
      if (Date.now() - heard < 12000) return;
      live.classList.add("is-stale");
      live.querySelector("b").textContent = live.dataset.stale;
    }, 1000);
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) close();
      else if (!stream && !leaving) { open(); swap(); }
    });
    open();
  }

  // Who acts while nobody answers keeps what was written: a page of the browser's own would lose it.
  const gone = document.getElementById("gone");
  document.addEventListener("submit", (event) => {
    if (!live?.classList.contains("is-stale") || !gone || event.submitter?.dataset.sure) return;
    event.preventDefault();
    const by = event.submitter, form = event.target;
    fetch("/beat", { headers: { "x-by-itself": "yes" }, redirect: "manual", cache: "no-store" }).then(() => {
      gone.hidden = true;
      if (by) { by.dataset.sure = "yes"; form.requestSubmit(by); } else form.submit();
    }, () => { gone.hidden = false; gone.scrollIntoView({ block: "nearest" }); });
  });

  // Before the session ends by itself: who is there says so.
  const stay = document.getElementById("stay"), idle = 1000 * Number(root.dataset.idle);
  if (stay && idle) {
    let last = Date.now();
    // Whoever writes is there.
    document.addEventListener("input", () => {
      if (Date.now() - last < 60000) return;
      last = Date.now();
      fetch("/beat", { redirect: "manual", cache: "no-store" }).catch(() => {});
    });
    setInterval(() => { stay.hidden = Date.now() - last < idle - 60000; }, 1000);
    stay.querySelector("button").addEventListener("click", async () => {
      const answer = await fetch("/beat", { redirect: "manual", cache: "no-store" }).catch(() => null);
      if (answer && answer.type === "opaqueredirect") location.reload();
      else if (answer && answer.ok) { last = Date.now(); stay.hidden = true; }
    });
  }

  // The wall looks again by itself, and says since when it cannot.
  const wall = document.querySelector("[data-wall]");
  if (wall) {
    setInterval(async () => {
      try {
        const answer = await fetch(location.href, { cache: "no-store" });
        if (!answer.ok) throw new Error();
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-wall]");
        if (fresh) wall.replaceChildren(...fresh.childNodes);
      } catch {
        const time = wall.querySelector("time");
        if (time && !wall.querySelector(".is-stale")) time.parentElement.className = "is-stale";
        if (time) time.parentElement.firstElementChild.textContent = wall.dataset.stale;
      }
    }, 15000);
  }

  // What became of an act is where the focus goes.
  const told = document.getElementById("told");
  if (told && !document.querySelector("[autofocus]")) told.focus();
})();
