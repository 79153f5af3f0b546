// Small comforts; every page works without them.
(() => {
  "use strict";
  const menus = () => document.querySelectorAll(".more details[open]");

  document.addEventListener("click", (event) => {
    const print = event.target.closest("[data-print]");
    if (print) window.print();
    for (const menu of menus()) if (!menu.contains(event.target)) menu.open = false;
  });

  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    for (const menu of menus()) {
      menu.open = false;
      menu.querySelector("summary").focus();
    }
  });

  // The server lets a double press have one effect; this only shows that the first one counted.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post" || !form.querySelector('input[name="once"]')) return;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "1";
    form.setAttribute("aria-busy", "true");
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) {
      delete form.dataset.sent;
      form.removeAttribute("aria-busy");
    }
  });

  // Signing out with something unsent on this phone is asked about first; then what the fire page kept is taken away.
  const clear = () =>
    Promise.all([
      window.caches ? caches.keys().then((names) => Promise.all(names.filter((name) => name.startsWith("fire-")).map((name) => caches.delete(name)))) : null,
      localStorage.getItem("fire-kept") === "0" ? new Promise((done) => { const asked = indexedDB.deleteDatabase("fire"); asked.onsuccess = asked.onerror = asked.onblocked = done; }) : null,
    ]);
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.dataset.signOut || form.dataset.cleared || !window.indexedDB) return;
    event.preventDefault();
    if (+localStorage.getItem("fire-kept") && !window.confirm(form.dataset.signOut)) return;
    form.dataset.cleared = document.documentElement.dataset.signedOut = "1";
    Promise.race([clear(), new Promise((done) => setTimeout(done, 2000))]).finally(() => form.submit());
  });

  const faults = document.getElementById("faults");
  if (faults) faults.focus();
})();
