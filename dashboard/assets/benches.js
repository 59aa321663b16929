// The overview's cards are made anew where one changes its place: who was on one by keyboard stays on it.
(function () {
  "use strict";

  let at = "";

  document.addEventListener("focusin", function (event) {
    const link = event.target.closest(".bench a");
    at = link ? link.getAttribute("href") : "";
  });

  document.addEventListener("pointerdown", function () {
    at = "";
  });

  new MutationObserver(function () {
    if (!at || document.activeElement !== document.body) {
      return;
    }
    const again = [...document.querySelectorAll(".bench a")].find((link) => link.getAttribute("href") === at);
    if (again) {
      again.focus({ preventScroll: true });
    }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
