// Shows the buttons that print a page, and prints.
(function () {
  "use strict";
  for (const button of document.querySelectorAll("button[data-print]")) {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  }
})();
