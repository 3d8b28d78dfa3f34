"use strict";
// Narrows the list and the sections to what is typed; without it everything is shown.
(function () {
  var form = document.getElementById("filter");
  var said = document.getElementById("filter-count");
  if (!form) { return; }
  var rows = Array.prototype.slice.call(document.querySelectorAll("[data-find]"));
  var listed = rows.filter(function (row) { return row.tagName === "TR"; }).length;
  function narrow() {
    var words = form.elements.words.value.toLowerCase().split(/\s+/).filter(Boolean);
    var urgent = form.elements.urgent.checked;
    var shown = 0;
    rows.forEach(function (row) {
      var text = row.getAttribute("data-find").toLowerCase();
      var fits = words.every(function (word) { return text.indexOf(word) >= 0; });
      row.hidden = !fits || (urgent && !row.hasAttribute("data-urgent"));
      if (!row.hidden && row.tagName === "TR") { shown += 1; }
    });
    said.textContent = shown + " of " + listed + " patients shown";
  }
  form.hidden = false;
  form.addEventListener("input", narrow);
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  narrow();
}());
