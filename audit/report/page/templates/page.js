(function () {
  "use strict";
  var form = document.getElementById("choose");
  var home = document.getElementById("frames");
  var count = document.getElementById("count");
  var sections = Array.from(home.querySelectorAll(".series"));
  var frames = Array.from(home.querySelectorAll(".frame"));
  var parents = frames.map(function (frame) { return frame.parentNode; });
  var names = frames.map(function (frame) {
    return frame.querySelector(".name").textContent.toLowerCase();
  });
  var flat = document.createElement("div");
  /* What lies in noscript is one text each until it is unfolded: a part of the work to load. */
  var holders = Array.from(document.querySelectorAll("noscript"), function (folded) {
    return folded.closest(".frame") || folded.parentNode;
  }).filter(function (holder, at, all) { return holder !== all[at - 1]; });
  function field(id) { return document.getElementById(id); }
  function number(frame, key) { return parseFloat(frame.getAttribute(key)); }
  var orders = {
    print: function (a, b) { return number(b, "data-p") - number(a, "data-p"); },
    edge: function (a, b) { return number(a, "data-e") - number(b, "data-e"); },
    time: function (a, b) {
      var x = a.getAttribute("data-t"), y = b.getAttribute("data-t");
      return x < y ? -1 : x > y ? 1 : 0;
    }
  };
  function arrange() {
    var order = orders[field("order").value];
    if (order) {
      frames.slice().sort(order).forEach(function (frame) { flat.appendChild(frame); });
      home.appendChild(flat);
    } else if (flat.parentNode) {
      frames.forEach(function (frame, at) { parents[at].appendChild(frame); });
      home.removeChild(flat);
    }
    choose();
  }
  function choose() {
    var verdict = field("by-verdict").value, kind = field("by-kind").value;
    var name = field("by-name").value.trim().toLowerCase(), shown = 0;
    frames.forEach(function (frame, at) {
      var fits = (!verdict || frame.getAttribute("data-v") === verdict) &&
        (!kind || frame.getAttribute("data-k").split(" ").indexOf(kind) >= 0) &&
        (!name || names[at].indexOf(name) >= 0);
      frame.hidden = !fits;
      if (fits) { shown += 1; }
    });
    sections.forEach(function (section) {
      section.hidden = !section.querySelector(".frame:not([hidden])");
    });
    count.textContent = shown === frames.length ? shown + " frames" :
      shown + " of " + frames.length + " frames";
  }
  function unfold(holder) {
    holder.querySelectorAll("noscript").forEach(function (folded) {
      var held = document.createElement("template");
      held.innerHTML = folded.textContent;
      folded.parentNode.replaceChild(held.content, folded);
    });
  }
  var next = 0;
  function unfoldSome(idle) {
    var until = Date.now() + 10;
    while (next < holders.length && (idle ? idle.timeRemaining() > 2 : Date.now() < until)) {
      unfold(holders[next]);
      next += 1;
    }
    if (next < holders.length) { later(); }
  }
  function later() {
    if (window.requestIdleCallback) { window.requestIdleCallback(unfoldSome); } else {
      setTimeout(unfoldSome, 50);
    }
  }
  function unfoldNear() {
    if (!window.IntersectionObserver) { return; }
    var near = new IntersectionObserver(function (seen) {
      seen.forEach(function (one) {
        if (one.isIntersecting) { near.unobserve(one.target); unfold(one.target); }
      });
    }, { rootMargin: "1500px 0px" });
    holders.forEach(function (holder) { near.observe(holder); });
  }
  function reveal() {
    var wanted = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (wanted && frames.indexOf(wanted) >= 0) { unfold(wanted); }
    if (wanted && (wanted.hidden || (wanted.parentNode && wanted.parentNode.hidden))) {
      form.reset();
      arrange();
      wanted.scrollIntoView();
    }
  }
  function step(event) {
    var by = { n: 1, p: -1 }[event.key];
    var here = document.activeElement && document.activeElement.closest(".frame");
    if (!by || !here || event.ctrlKey || event.metaKey || event.altKey) { return; }
    var shown = Array.from(home.querySelectorAll(".frame:not([hidden])"));
    var next = shown[shown.indexOf(here) + by];
    if (next) {
      event.preventDefault();
      next.querySelector(".name").focus({ preventScroll: true });
      next.scrollIntoView();
    }
  }
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("reset", function () { setTimeout(arrange, 0); });
  ["by-verdict", "by-kind"].forEach(function (id) { field(id).addEventListener("change", choose); });
  field("by-name").addEventListener("input", choose);
  field("order").addEventListener("change", arrange);
  document.addEventListener("keydown", step);
  window.addEventListener("hashchange", reveal);
  function fetchAll() {
    holders.forEach(unfold);
    document.querySelectorAll("img").forEach(function (image) { image.loading = "eager"; });
  }
  function printAll() {
    fetchAll();
    var waiting = Array.from(document.images).filter(function (image) { return !image.complete; });
    Promise.all(waiting.map(function (image) {
      return new Promise(function (done) { image.onload = image.onerror = done; });
    })).then(function () { window.print(); });
  }
  window.addEventListener("beforeprint", fetchAll);
  field("print").addEventListener("click", printAll);
  form.hidden = false;
  reveal();
  unfoldNear();
  window.addEventListener("load", later);
})();
