// Pots dragged with a mouse, and a word when the service does not answer. Everything here can be done with buttons.
(() => {
  "use strict";
  let drag = null;

  const at = (svg, event) => {
    const point = new DOMPoint(event.clientX, event.clientY);
    return point.matrixTransform(svg.getScreenCTM().inverse());
  };

  // The drawing has a margin of 4 around the board, and counts downwards; a board is measured from its lower left.
  const onBoard = (svg, point) => {
    const box = svg.viewBox.baseVal;
    return { x: point.x, y: box.height - 8 - point.y };
  };

  document.addEventListener("dragstart", (event) => {
    if (event.target.closest("[data-board]")) event.preventDefault();
  });

  document.addEventListener("pointerdown", (event) => {
    const pot = event.target.closest("[data-board] [data-spot]");
    if (!pot || event.button !== 0 || event.pointerType === "touch" || !document.getElementById("drag")) return;
    const svg = pot.ownerSVGElement;
    const middle = pot.querySelector("circle, rect");
    const box = middle.getBBox();
    drag = { pot, svg, from: at(svg, event), centre: { x: box.x + box.width / 2, y: box.y + box.height / 2 }, moved: false };
    svg.setPointerCapture(event.pointerId);
  });

  document.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const to = at(drag.svg, event);
    const dx = to.x - drag.from.x, dy = to.y - drag.from.y;
    if (!drag.moved && Math.hypot(dx, dy) < 4) return;
    drag.moved = true;
    drag.svg.classList.add("dragging");
    drag.pot.setAttribute("transform", `translate(${dx.toFixed(1)} ${dy.toFixed(1)})`);
  });

  const letGo = (event) => {
    if (!drag) return;
    const { pot, svg, from, centre, moved } = drag;
    drag = null;
    svg.classList.remove("dragging");
    if (!moved || event.type === "pointercancel") {
      pot.removeAttribute("transform");
      return;
    }
    window.addEventListener("click", (click) => click.preventDefault(), { capture: true, once: true });
    setTimeout(() => window.dispatchEvent(new MouseEvent("click")), 0); // used up if the browser sends none
    const under = document.elementsFromPoint(event.clientX, event.clientY).find((it) => it.closest("[data-board] svg"));
    const figure = (under || svg).closest("[data-board]");
    const target = figure.querySelector("svg");
    const pointer = at(target, event);
    const place = onBoard(target, { x: pointer.x + centre.x - from.x, y: pointer.y + centre.y - from.y });
    const form = document.getElementById("drag");
    form.elements.pot.value = pot.dataset.spot;
    form.elements.to.value = figure.dataset.board;
    form.elements.x_dmm.value = Math.round(place.x) * 10;
    form.elements.y_dmm.value = Math.round(place.y) * 10;
    form.requestSubmit();
  };
  document.addEventListener("pointerup", letGo);
  document.addEventListener("pointercancel", letGo);

  // Of two keys pressed in haste the second is gone from the page when its answer comes; htmx then finds no layer to
  // renew further down, so that is done here.
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.requestConfig.elt.isConnected) return;
    const answer = new DOMParser().parseFromString(event.detail.serverResponse, "text/html");
    for (const part of answer.querySelectorAll("[hx-swap-oob]")) {
      const old = document.getElementById(part.id);
      part.removeAttribute("hx-swap-oob");
      part.remove();
      if (!old) continue;
      old.replaceWith(part);
      window.htmx.process(part);
    }
    event.detail.serverResponse = answer.body.innerHTML;
  });

  const trouble = (shown) => {
    const line = document.getElementById("load-trouble");
    if (line) line.hidden = !shown;
  };
  for (const name of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) document.addEventListener(name, () => trouble(true));
  document.addEventListener("htmx:beforeRequest", () => trouble(false));
})();
