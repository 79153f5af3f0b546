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

  const faults = document.getElementById("faults");
  if (faults) faults.focus();
})();
