// Draws a value on the scale of its limit while it is typed. Only the assessment of the lot decides.
(function () {
  "use strict";
  const NOISE = 1e-10; // differences this small are arithmetic, as on the server

  function number(text, comma) {
    const plain = text.trim();
    const pointed = comma && /^[-+]?\d*,\d+$/.test(plain) ? plain.replace(",", ".") : plain;
    return /^[-+]?\d{1,15}(\.\d{1,15})?$/.test(pointed) ? Number(pointed) : NaN;
  }

  function value(place, form) {
    const found = place.dataset.of.split(" ").map((name) => form.elements[name])
      .map((field) => (field ? number(field.value, form.dataset.comma) : NaN)).filter((one) => !Number.isNaN(one));
    if (place.dataset.how === "range") return found.length > 1 ? Math.max(...found) - Math.min(...found) : NaN;
    return found.length ? found[0] : NaN;
  }

  // A number as text, with the decimal sign of the shop.
  const written = (one, digits, form) => (form.dataset.comma ? one.toFixed(digits).replace(".", ",") : one.toFixed(digits));

  function draw(place, form) {
    const data = place.dataset, found = value(place, form), words = place.querySelector(".words");
    place.hidden = Number.isNaN(found);
    if (place.hidden) {
      words.textContent = "";
      return;
    }
    const low = data.low === "" ? -Infinity : Number(data.low), high = data.high === "" ? Infinity : Number(data.high);
    const margin = Math.min(found - low, high - found), unit = data.unit ? " " + data.unit : "";
    const at = 100 * (found - data.left) / (data.right - data.left);
    place.querySelector(".value").setAttribute("x", Math.min(97, Math.max(0, at - 1.5)));
    let digits = Number(data.decimals), said = "inside";
    if (Math.abs(margin) <= NOISE) said = "inside, at the limit";
    else if (margin < 0) {
      while (digits < 9 && Number((-margin).toFixed(digits)) === 0) digits += 1;
      said = "outside by " + written(-margin, digits, form) + unit;
    }
    const title = data.title ? data.title + " " + written(found, Number(data.decimals), form) + unit + ": " : "";
    words.classList.toggle("outside", margin < -NOISE);
    if (words.textContent !== title + said) words.textContent = title + said;
  }

  // Figures that follow from the fields of a row. Those that only the server computes keep their drawing.
  const typed = (form) => [...form.querySelectorAll(".lies")].filter((place) => place.dataset.how !== "computed");

  document.addEventListener("input", (event) => {
    const form = event.target.closest && event.target.closest("form[data-bench]"), name = event.target.name;
    if (form) typed(form).filter((place) => place.dataset.of.split(" ").includes(name)).forEach((place) => draw(place, form));
  });
  function all() {
    document.querySelectorAll("form[data-bench]").forEach((form) => typed(form).forEach((place) => draw(place, form)));
  }
  document.addEventListener("bench-shown", all);
  all();
})();
