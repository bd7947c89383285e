// Keys, and what is being copied just now. All of the page can be read without this.
"use strict";

// ---- what is being copied now: that part is asked for again, and now and then all of the view ----
const now = () => document.getElementById("now");
let wholeAt = Date.now();
async function renew() {
  if (document.hidden) return again();
  const isWhole = Date.now() - wholeAt >= 1000 * Number(now().dataset.whole);
  try {
    const answer = await fetch(isWhole ? location.pathname : "/now");
    if (answer.ok) {
      const made = new DOMParser().parseFromString(await answer.text(), "text/html");
      (isWhole ? ["main", "footer"] : ["#now"]).forEach((part) => replace(part, made));
      if (isWhole) wholeAt = Date.now();
    }
  } catch {
    // The service ended: what is shown stays, and it is asked again.
  }
  again();
}
function replace(part, made) {
  const [old, young] = [document.querySelector(part), made.querySelector(part)];
  if (!old || !young) return;
  const href = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  old.replaceWith(young);
  if (href) [...young.querySelectorAll("a")].find((one) => one.getAttribute("href") === href)?.focus({ preventScroll: true });
}
function again() {
  if (now()) setTimeout(renew, 1000 * Number(now().dataset.again));
}
again();

// ---- keys ----
const follow = (rel) => document.querySelector(`.one a[rel=${rel}]`)?.click();
function moveOnSheet(key) {
  const cells = [...document.querySelectorAll(".sheet a")];
  if (!cells.length) return false;
  const at = cells.indexOf(document.activeElement);
  if (at < 0) {
    cells.find((cell) => cell.getBoundingClientRect().bottom > 0)?.focus();
    return true;
  }
  const here = cells[at].getBoundingClientRect();
  const middle = here.left + here.width / 2;
  let to = at + { ArrowRight: 1, ArrowLeft: -1 }[key];
  if (key === "ArrowDown" || key === "ArrowUp") {
    const step = key === "ArrowDown" ? 1 : -1;
    to = at;
    let row = null;
    // The first line that is another, and in it the cell that stands nearest.
    for (let each = at + step; cells[each]; each += step) {
      const its = cells[each].getBoundingClientRect();
      if (Math.abs(its.top - here.top) < 2) continue;
      row ??= its.top;
      if (Math.abs(its.top - row) > 2) break;
      const best = cells[to].getBoundingClientRect();
      const gap = Math.abs(its.left + its.width / 2 - middle);
      if (to === at || gap < Math.abs(best.left + best.width / 2 - middle)) to = each;
    }
  }
  cells[to]?.focus();
  return true;
}
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.target.closest("input, select, textarea")) return;
  const isOne = document.querySelector(".one") !== null;
  if (isOne && event.key === "ArrowRight") follow("next");
  else if (isOne && event.key === "ArrowLeft") follow("prev");
  else if (isOne && event.key === "Escape") follow("up");
  else if (isOne && event.key.toLowerCase() === "m") document.getElementById("mark")?.requestSubmit();
  else if (!isOne && event.key.startsWith("Arrow") && document.querySelector(".sheet")) {
    if (moveOnSheet(event.key)) event.preventDefault();
  }
});
