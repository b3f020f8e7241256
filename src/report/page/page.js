"use strict";
// Shows exact values at a touch, lets bars be pressed and arrows walk from value to value. Without it the page is whole.
(() => {
  const tip = document.getElementById("tip");
  const steps = ".strip, .row, .bar";
  // The browser's own tooltips would stand beside ours.
  for (const title of document.querySelectorAll("svg.plot title")) {
    const owner = title.parentElement;
    if (owner.tagName !== "svg") owner.setAttribute("data-tip", title.textContent);
    title.remove();
  }
  const hide = () => {
    tip.hidden = true;
    for (const at of document.querySelectorAll(".strip.at")) at.classList.remove("at");
  };
  const show = (mark, x, y) => {
    hide();
    tip.textContent = mark.getAttribute("data-tip");
    tip.hidden = false;
    if (mark.classList.contains("strip")) mark.classList.add("at");
    const { width, height } = tip.getBoundingClientRect();
    const above = y - height - 14;
    tip.style.left = Math.max(4, Math.min(x - width / 2, innerWidth - width - 4)) + "px";
    tip.style.top = (above < 4 ? y + 18 : above) + "px";
  };
  const marked = (event) => event.target.closest && event.target.closest("svg.plot [data-tip]");
  const onPointer = (event) => {
    const mark = marked(event);
    if (mark) show(mark, event.clientX, event.clientY);
    else hide();
  };
  document.addEventListener("pointermove", onPointer);
  document.addEventListener("pointerdown", onPointer);
  for (const moved of ["wheel", "touchmove"]) document.addEventListener(moved, hide, { passive: true });
  const pick = (bar) => {
    const name = bar.getAttribute("data-part");
    for (const input of document.querySelectorAll(".chooser input[data-name]")) {
      if (input.getAttribute("data-name") === name) {
        if (input.checked) document.getElementById("none").checked = true;
        else input.checked = true;
      }
    }
  };
  document.addEventListener("click", (event) => {
    const bar = event.target.closest && event.target.closest(".bar");
    if (bar) pick(bar);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") return hide();
    const plot = event.target.closest && event.target.closest("svg.plot");
    if (!plot) return;
    const marks = [...plot.querySelectorAll(steps)];
    const at = marks.findIndex((mark) => mark.classList.contains("here"));
    const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (by && marks.length) {
      const next = marks[Math.max(0, Math.min(marks.length - 1, at + by))];
      if (at >= 0) marks[at].classList.remove("here");
      next.classList.add("here");
      next.scrollIntoView({ block: "nearest" });
      const box = next.getBoundingClientRect();
      show(next, box.left + box.width / 2, box.top + Math.min(box.height, 40) / 2);
      event.preventDefault();
    } else if ((event.key === "Enter" || event.key === " ") && at >= 0 && marks[at].classList.contains("bar")) {
      pick(marks[at]);
      event.preventDefault();
    }
  });
  document.addEventListener("focusout", hide);
})();
