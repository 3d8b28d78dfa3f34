"use strict";
// Narrows the list of patients, and the sections below it, to what is chosen above it.
// Without it everything is shown.
(function () {
  var form = document.getElementById("filter");
  if (!form) { return; }
  var said = document.getElementById("filter-count");
  var printed = document.getElementById("filter-note");
  var fields = ["family", "check", "urgency", "state", "site", "clinician"];
  var list = document.getElementById("work-list");
  var rows = Array.prototype.map.call(list.tBodies[0].rows, function (row) {
    var link = row.querySelector("a");
    var place = link && link.hash ? document.getElementById(link.hash.slice(1)) : null;
    return {
      row: row, section: place, words: row.textContent.toLowerCase(),
      site: row.cells[2].textContent, clinician: row.cells[3].textContent,
      findings: (row.getAttribute("data-findings") || "").split(" ").map(function (one) {
        var parts = one.split(".");
        return { family: parts[0], check: parts[1], urgency: parts[2], state: parts[3] };
      })
    };
  });

  function chosen(name) {
    return form.elements[name] ? form.elements[name].value : "";
  }

  function narrow() {
    var words = form.elements.words.value.toLowerCase().split(/\s+/).filter(Boolean);
    var want = {};
    fields.forEach(function (name) { want[name] = chosen(name); });
    var shown = 0;
    rows.forEach(function (one) {
      var fits = words.every(function (word) { return one.words.indexOf(word) >= 0; })
        && (!want.site || one.site === want.site)
        && (!want.clinician || one.clinician === want.clinician)
        && one.findings.some(function (found) {
          return ["family", "check", "urgency", "state"].every(function (name) {
            return !want[name] || found[name] === want[name];
          });
        });
      one.row.hidden = !fits;
      if (one.section) { one.section.hidden = !fits; }
      if (fits) { shown += 1; }
    });
    var narrowed = shown < rows.length;
    var count = shown + " of " + rows.length + " patients shown";
    said.textContent = count;
    printed.hidden = !narrowed;
    printed.textContent = "Narrowed: " + count + " and printed. Clear the choices above for all.";
    form.elements.clear.disabled = !words.length
      && fields.every(function (name) { return !want[name]; });
  }

  function clear() {
    form.elements.words.value = "";
    fields.forEach(function (name) {
      if (form.elements[name]) { form.elements[name].value = ""; }
    });
  }

  // A link such as data-show="state=new" leads to the list narrowed so.
  document.addEventListener("click", function (event) {
    var link = event.target.closest ? event.target.closest("[data-show]") : null;
    if (!link) { return; }
    clear();
    link.getAttribute("data-show").split("&").forEach(function (pair) {
      var parts = pair.split("=");
      var field = form.elements[parts[0]];
      if (field) { field.value = decodeURIComponent(parts[1]); }
    });
    narrow();
  });
  // A link to a patient who is not shown shows everyone again.
  function reveal() {
    var place = location.hash ? document.getElementById(location.hash.slice(1)) : null;
    if (place && place.hidden) { clear(); narrow(); place.scrollIntoView(); }
  }
  window.addEventListener("hashchange", reveal);
  form.hidden = false;
  form.addEventListener("input", narrow);
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.elements.clear.addEventListener("click", function () {
    clear();
    narrow();
    form.elements.words.focus();
  });
  narrow();
}());
