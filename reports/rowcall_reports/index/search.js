"use strict";
// A term is a word, or a word for a place with its number: "row 7" is one.
function termsOf(query) {
  return query.toLowerCase().match(/(?:row|place|compartment)\s*\d+|\S+/g) || [];
}
// A number is found as a whole: "row 7" is not in "row 70", nor "R7" in "R70".
function patternOf(term) {
  const text = term.replace(/[.*+?^${}()|[\]\\/]/g, "\\$&");
  const apart = text.replace(/^([a-z]+)\s*(\d+)$/, "$1\\s*$2");
  return new RegExp((/^\d/.test(term) ? "(?:^|\\D)" : "") + apart + (/\d$/.test(term) ? "(?!\\d)" : ""));
}
function holdsAll(text, query) {
  const lower = text.toLowerCase();
  return termsOf(query).every((term) => patternOf(term).test(lower));
}
if (typeof document !== "undefined") {
  const box = document.querySelector("input[type=search]");
  const cases = [...document.querySelectorAll("tr.case")];
  const texts = cases.map((line) => line.textContent);
  const earlier = document.querySelector("details.earlier");
  const search = () => {
    const query = box.value.trim();
    const found = texts.map((text) => holdsAll(text, query));
    const count = found.filter(Boolean).length;
    cases.forEach((line, n) => {
      line.hidden = !found[n];
      line.querySelector("details").open = query !== "" && count <= 20;
    });
    if (earlier) earlier.open = query !== "";
    document.querySelector("output").textContent =
      query === "" ? "" : count + " of " + cases.length + " cases";
  };
  box.addEventListener("input", search);
  box.form.addEventListener("submit", (event) => event.preventDefault());
  box.form.hidden = false;
  search();
}
