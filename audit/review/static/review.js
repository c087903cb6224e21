/* Moves what the server wrote: views at 1:1, decisions, the state of the run. No framework. */
(function () {
  "use strict";
  var TILE_PX = 512, MOST_LOADING = 4, LEAST_PANE = 340, MOST_PANES = 6, STATE_MS = 2500;
  var SVG = "http://www.w3.org/2000/svg";
  var WORDS = { "keeper": "keep", "look-again": "look again", "reject": "reject", "unread": "unread" };
  var token = document.querySelector("meta[name=review-token]").content;
  var message = document.getElementById("message");

  function id(name) { return document.getElementById(name); }
  function all(selector, within) { return Array.from((within || document).querySelectorAll(selector)); }
  function say(text) { message.textContent = text; }

  /* ------------------------------------------------------------ asking the server */

  function answered(reply) {
    if (reply.ok) { return reply.json(); }
    return reply.text().then(function (text) { throw new Error(text.trim()); });
  }
  function ask(address) { return fetch(address, { cache: "no-store" }).then(answered); }
  function tell(address, body) {
    return fetch(address, {
      method: "POST",
      keepalive: true, /* a word that was given is sent, also if the page is left */
      headers: { "Content-Type": "application/json", "X-Review-Token": token },
      body: JSON.stringify(body)
    }).then(answered);
  }
  function failed(error) {
    say(error instanceof TypeError ?
      "The review does not answer: was it stopped? What was confirmed is kept." : "Not done: " + error.message);
  }

  function singleKeys() {
    try { return localStorage.getItem("single-keys") !== "off"; } catch (error) { return true; }
  }

  /* ------------------------------------------------------------ state, on every page */

  var wasFinal = id("progress").dataset.final === "1";
  function showState(state) {
    id("tally").textContent = state.decided + " of " + state.measured +
      (state.measured === 1 ? " frame" : " frames") + " decided by you";
    var progress = id("progress");
    if (state.failure) {
      progress.textContent = "Measuring stopped: " + state.failure;
    } else if (!state.is_final) {
      progress.textContent = state.total === null ? "Looking for frames." :
        state.measured + " of " + state.total + " frames are measured. What you decide stays.";
    } else if (!wasFinal) {
      progress.textContent = "All frames are measured and stand in their series. ";
      var link = document.createElement("a");
      link.href = location.pathname + location.search;
      link.textContent = "Show them";
      progress.appendChild(link);
    }
    progress.hidden = wasFinal && !state.failure;
    // Nothing to lose there: the page holds but the word that frames are awaited.
    if (state.measured && id("awaited")) { location.reload(); }
  }
  function watch(address, seen) {
    function again() { setTimeout(look, STATE_MS); }
    function look() {
      if (document.hidden) { again(); return; }
      ask(address).then(function (state) { showState(state); if (seen) { seen(state); } }, failed).then(again);
    }
    again();
  }

  /* ------------------------------------------------------------ one set */

  function startSet(root) {
    var first = Number(root.dataset.first);
    var panes = all(".pane").map(function (element) { return makePane(element); });
    var chosen = 0, from = 0, facts = {}, turns = {}, clipped = {}, nextClipped = {};
    var place = [0, 0, 1], drawn = { widths: false, lost: false, smear: false }, lift = 0;
    var waiting = [], loading = 0;
    var scale = 1 / (window.devicePixelRatio || 1);

    function makePane(element) {
      return {
        element: element, number: Number(element.dataset.number), view: element.querySelector(".view"),
        layer: element.querySelector(".layer"), svg: element.querySelector(".drawn"),
        hint: element.querySelector(".hint"), tiles: new Map()
      };
    }

    /* ---------- places: nine numbers lead from the first frame of the set to each other one */

    function matrix(number) { return turns[number] || [1, 0, 0, 0, 1, 0, 0, 0, 1]; }
    function through(m, p) {
      var x = m[0] * p[0] + m[1] * p[1] + m[2], y = m[3] * p[0] + m[4] * p[1] + m[5];
      var z = m[6] * p[0] + m[7] * p[1] + m[8];
      return z > 1e-6 ? [x / z, y / z, 1] : null;
    }
    function inverse(m) {
      var a = m[4] * m[8] - m[5] * m[7], b = m[5] * m[6] - m[3] * m[8], c = m[3] * m[7] - m[4] * m[6];
      var d = m[0] * a + m[1] * b + m[2] * c;
      return [
        a, m[2] * m[7] - m[1] * m[8], m[1] * m[5] - m[2] * m[4],
        b, m[0] * m[8] - m[2] * m[6], m[2] * m[3] - m[0] * m[5],
        c, m[1] * m[6] - m[0] * m[7], m[0] * m[4] - m[1] * m[3]
      ].map(function (value) { return value / d; });
    }
    function seenIn(number) { return through(matrix(number), place); }
    function goTo(number, x, y) {
      function within(value) { return Math.max(-0.5, Math.min(0.5, value)); }
      var back = through(inverse(matrix(number)), [within(x), within(y), 1]);
      if (back) { place = back; draw(); }
    }

    /* ---------- tiles */

    function load() {
      while (loading < MOST_LOADING && waiting.length) {
        var tile = waiting.shift();
        if (tile.gone) { continue; }
        loading += 1;
        tile.image.onload = tile.image.onerror = done.bind(null, tile);
        tile.image.src = tile.address;
      }
    }
    function done(tile, event) {
      loading -= 1;
      tile.image.onload = tile.image.onerror = null;
      if (event.type === "error" && !tile.gone) { tile.pane.hint.textContent = "This place cannot be cut from the file."; }
      if (event.type === "load") { tile.image.hidden = false; tile.pane.hint.textContent = ""; }
      load();
    }
    function drop(pane, keep) {
      pane.tiles.forEach(function (tile, key) {
        if (keep && keep.has(key)) { return; }
        tile.gone = true;
        tile.image.remove();
        pane.tiles.delete(key);
      });
    }
    function fill(pane, fact, middle, size) {
      var keep = new Set(), side = TILE_PX * scale;
      var left = middle[0] * scale - size[0] / 2, top = middle[1] * scale - size[1] / 2;
      var rows = Math.ceil(fact.height_px / TILE_PX), cols = Math.ceil(fact.width_px / TILE_PX);
      var wanted = [];
      for (var row = Math.max(0, Math.floor(top / side)); row < rows && row * side < top + size[1]; row += 1) {
        for (var col = Math.max(0, Math.floor(left / side)); col < cols && col * side < left + size[0]; col += 1) {
          wanted.push([row, col]);
        }
      }
      wanted.forEach(function (at) {
        var address = "/tile/" + pane.number + "/" + at[0] + "/" + at[1] + "?ev=" + lift + "&lost=" + (drawn.lost ? 1 : 0);
        keep.add(address);
        if (pane.tiles.has(address)) { return; }
        var image = new Image();
        image.alt = "";
        image.hidden = true;
        image.draggable = false;
        image.style.width = Math.min(TILE_PX, fact.width_px - at[1] * TILE_PX) * scale + "px";
        image.style.height = Math.min(TILE_PX, fact.height_px - at[0] * TILE_PX) * scale + "px";
        image.style.left = at[1] * side + "px";
        image.style.top = at[0] * side + "px";
        var tile = { image: image, address: address, pane: pane, gone: false };
        pane.tiles.set(address, tile);
        pane.layer.appendChild(image);
        waiting.push(tile);
      });
      drop(pane, keep);
      var tiles = Array.from(pane.tiles.values());
      var isWaited = tiles.length > 0 && tiles.every(function (tile) { return tile.image.hidden; });
      if (isWaited && !pane.hint.textContent) { pane.hint.textContent = "Being cut from the original."; }
      pane.layer.style.transform = "translate(" + -Math.round(left) + "px," + -Math.round(top) + "px)";
    }

    /* ---------- drawings */

    function shape(name, attributes, text) {
      var element = document.createElementNS(SVG, name);
      Object.keys(attributes).forEach(function (key) { element.setAttribute(key, attributes[key]); });
      if (text !== undefined) { element.textContent = text; }
      return element;
    }
    function shade(width) { return width > 5 ? 4 : width > 3 ? 3 : width > 2 ? 2 : width > 1.5 ? 1 : 0; }
    function drawOver(pane, fact, middle, size) {
      pane.svg.replaceChildren();
      var left = middle[0] * scale - size[0] / 2, top = middle[1] * scale - size[1] / 2;
      if (drawn.widths && fact.edge_widths_px.length) {
        var rows = fact.edge_widths_px.length, cols = fact.edge_widths_px[0].length;
        var high = fact.height_px * scale / rows, wide = fact.width_px * scale / cols;
        fact.edge_widths_px.forEach(function (widths, row) {
          if ((row + 1) * high < top || row * high > top + size[1]) { return; }
          widths.forEach(function (width, col) {
            var x = col * wide - left, y = row * high - top;
            if (x + wide < 0 || x > size[0]) { return; }
            pane.svg.appendChild(shape("rect", { x: x, y: y, width: wide, height: high, "class": "cell" }));
            pane.svg.appendChild(shape("text", { x: x + 6, y: y + 18 }, width === null ? "cannot tell" : width.toFixed(1) + " px"));
          });
        });
      }
      if (drawn.smear) {
        if (fact.smear_px === null) {
          pane.svg.appendChild(shape("text", { x: 10, y: size[1] - 12 }, "no smear was measured"));
        } else {
          var angle = (fact.smear_angle_deg || 0) * Math.PI / 180, half = fact.smear_px * scale / 2;
          var dx = Math.cos(angle) * half, dy = -Math.sin(angle) * half, x = size[0] / 2, y = size[1] / 2;
          ["under", "line"].forEach(function (kind) {
            pane.svg.appendChild(shape("line", { x1: x - dx, y1: y - dy, x2: x + dx, y2: y + dy, "class": kind }));
          });
          pane.svg.appendChild(shape("text", { x: 10, y: size[1] - 12 },
            "smear " + fact.smear_px.toFixed(1) + " px" + (fact.smear_angle_deg === null ? "" : " along " + Math.round(fact.smear_angle_deg) + "°")));
        }
      }
    }
    function drawWhole() {
      var fact = facts[panes[chosen].number], svg = id("whole-drawn"), picture = id("whole-picture");
      svg.replaceChildren();
      if (!fact) { return; }
      var address = "/picture/" + panes[chosen].number;
      picture.hidden = !fact.is_shown;
      if (picture.hidden) { id("whole-words").textContent = "There are no pixels to look at."; return; }
      if (picture.getAttribute("src") !== address) { picture.src = address; picture.alt = panes[chosen].element.getAttribute("aria-label"); }
      svg.setAttribute("viewBox", "0 0 " + fact.width_px + " " + fact.height_px);
      svg.setAttribute("preserveAspectRatio", "none");
      picture.style.aspectRatio = fact.width_px + " / " + fact.height_px;
      if (drawn.widths) {
        fact.edge_widths_px.forEach(function (widths, row) {
          widths.forEach(function (width, col) {
            if (width === null) { return; }
            var high = fact.height_px / fact.edge_widths_px.length, wide = fact.width_px / widths.length;
            svg.appendChild(shape("rect", { x: col * wide, y: row * high, width: wide, height: high, "class": "shade-" + shade(width) }));
          });
        });
      }
      var lost = clipped[panes[chosen].number];
      if (drawn.lost && lost) {
        lost.cells.forEach(function (cell) {
          var side = Math.max(fact.width_px / lost.cols, fact.height_px / lost.rows);
          svg.appendChild(shape("rect", { x: cell[1] * side, y: cell[0] * side, width: side, height: side, "class": "lost" }));
        });
      }
      var at = seenIn(panes[chosen].number), view = panes[chosen].view;
      if (at) {
        var wide = view.clientWidth / scale, high = view.clientHeight / scale;
        ["under", "box"].forEach(function (kind) {
          svg.appendChild(shape("rect", {
            x: (at[0] + 0.5) * fact.width_px - wide / 2, y: (at[1] + 0.5) * fact.height_px - high / 2,
            width: wide, height: high, "class": kind
          }));
        });
      }
      id("whole-words").textContent = drawn.widths ?
        "Edge widths: darkest up to 1.5 px, then up to 2, 3 and 5, lightest above 5 px; bare where nothing can be told." :
        "The box is the place in view. A click on the picture goes there.";
    }

    var isDrawing = false;
    function draw() {
      if (isDrawing) { return; }
      isDrawing = true;
      requestAnimationFrame(function () { isDrawing = false; drawNow(); });
    }
    function drawNow() {
      panes.forEach(function (pane) {
        if (pane.element.hidden) { drop(pane); return; }
        var fact = facts[pane.number];
        if (!fact) { return; }
        if (!fact.is_shown) { pane.hint.textContent = "There are no pixels to look at."; return; }
        var at = seenIn(pane.number);
        var outside = !at || Math.abs(at[0]) > 0.5 || Math.abs(at[1]) > 0.5;
        if (outside) { drop(pane); pane.svg.replaceChildren(); pane.hint.textContent = "This place lies outside the frame."; return; }
        if (pane.hint.textContent.indexOf("outside") >= 0) { pane.hint.textContent = ""; }
        var size = [pane.view.clientWidth, pane.view.clientHeight];
        var middle = [(at[0] + 0.5) * fact.width_px, (at[1] + 0.5) * fact.height_px];
        fill(pane, fact, middle, size);
        drawOver(pane, fact, middle, size);
      });
      waiting.sort(function (a, b) { return (b.pane === panes[chosen]) - (a.pane === panes[chosen]); });
      load();
      drawWhole();
      var unlinked = panes.filter(function (pane) { return !pane.element.hidden && facts[pane.number] && facts[pane.number].is_shown && turns[pane.number] === null; });
      id("where").textContent = (lift ? "Brightened by " + lift + (lift === 1 ? " stop. " : " stops. ") : "") +
        (unlinked.length ? "How these frames lie to each other is not known: each shows the place with the same distance from its middle." : "");
    }

    /* ---------- choosing a frame */

    function arrange() {
      var room = Math.max(1, Math.min(MOST_PANES, Math.floor(id("panes").clientWidth / LEAST_PANE), panes.length));
      if (chosen < from) { from = chosen; }
      if (chosen >= from + room) { from = chosen - room + 1; }
      from = Math.max(0, Math.min(from, panes.length - room));
      id("panes").style.gridTemplateColumns = "repeat(" + room + ", minmax(0, 1fr))";
      panes.forEach(function (pane, at) {
        pane.element.hidden = at < from || at >= from + room;
        pane.element.classList.toggle("chosen", at === chosen);
        pane.element.querySelector(".choose-frame").setAttribute("aria-pressed", String(at === chosen));
      });
      all("#strip button").forEach(function (button, at) {
        button.setAttribute("aria-pressed", String(at === chosen));
        if (at === chosen) { button.scrollIntoView({ block: "nearest", inline: "nearest" }); }
      });
      showWord();
      draw();
    }
    function choose(at) {
      if (at < 0 || at >= panes.length) { return; }
      chosen = at;
      arrange();
    }
    function showWord() {
      var element = panes[chosen].element, word = element.dataset.word;
      all("[data-word]", document.querySelector(".decide")).forEach(function (button) {
        button.setAttribute("aria-pressed", String(button.dataset.word === word));
        button.disabled = element.dataset.decidable !== "1";
      });
    }

    /* ---------- decisions */

    function mark(word) {
      var element = document.createElement("span");
      element.className = "mark v-" + word;
      return element;
    }
    function take(state) {
      state.frames.forEach(function (frame) {
        var pane = panes.find(function (one) { return one.number === frame.number; });
        if (!pane) { return; }
        pane.element.dataset.word = frame.word || "";
        var own = pane.element.querySelector(".own");
        own.replaceChildren();
        if (frame.word) { own.append(mark(frame.word), " " + WORDS[frame.word]); } else { own.textContent = "none yet"; }
        pane.element.querySelector(".note").textContent = frame.note ? " " + frame.note : "";
        var button = document.querySelector("#strip button[data-number='" + frame.number + "']");
        button.querySelector(".mark").className = "mark v-" + frame.holds;
        button.querySelector(".says").textContent = (frame.word ? "you" : "program") + ": " + WORDS[frame.holds];
      });
      document.querySelector("[data-do=undo]").disabled = !state.can_undo;
      document.querySelector("[data-do=redo]").disabled = !state.can_redo;
      showState(state);
      showWord();
    }
    /* One after the other, so that the order of keys is the order of steps. */
    var queue = Promise.resolve();
    function change(address, body, words) {
      root.setAttribute("aria-busy", "true");
      queue = queue.then(function () {
        return tell(address, body).then(function (state) { take(state); say(words(state)); });
      }).catch(failed).then(function () { root.removeAttribute("aria-busy"); });
    }
    function decide(word) {
      var pane = panes[chosen], name = pane.element.getAttribute("aria-label");
      if (pane.element.dataset.decidable !== "1") { say("The file cannot be read, so nothing can be said of it."); return; }
      change("/decide", { frames: [pane.number], word: word || null }, function () {
        return "Kept: " + name + ", " + (word ? WORDS[word] : "the program's own word") + ".";
      });
    }
    function step(address, verb) {
      change(address, {}, function (state) {
        if (!state.frames.length) { return "There is nothing more to " + verb + "."; }
        var names = state.frames.slice(0, 3).map(function (frame) { return frame.name + " is " + WORDS[frame.holds]; });
        var more = state.frames.length > 3 ? " and " + (state.frames.length - 3) + " more" : "";
        return "After " + verb + ": " + names.join(", ") + more + ".";
      });
    }
    function openNote() {
      var pane = panes[chosen];
      if (pane.element.dataset.decidable !== "1") { return; }
      id("note-name").textContent = pane.element.getAttribute("aria-label");
      id("note-text").value = pane.element.querySelector(".note").textContent.trim();
      id("note-box").showModal();
    }
    id("note-form").addEventListener("submit", function () {
      change("/note", { frame: panes[chosen].number, note: id("note-text").value.trim() }, function () { return "The note is kept."; });
    });
    id("note-cancel").addEventListener("click", function () { id("note-box").close(); });

    /* ---------- places to go to */

    function spot(name) {
      var fact = facts[panes[chosen].number], at = fact && fact[name];
      if (!at) { say("No " + name + " place: too few edges to tell."); return; }
      say(name.charAt(0).toUpperCase() + name.slice(1) + " place: edges " + at[2].toFixed(1) + " px wide.");
      goTo(panes[chosen].number, at[0], at[1]);
    }
    function withClipped(then) {
      var number = panes[chosen].number;
      if (clipped[number]) { then(clipped[number]); return; }
      ask("/clipped/" + number).then(function (found) { clipped[number] = found; then(found); }, failed);
    }
    function nextLost() {
      var number = panes[chosen].number, fact = facts[number];
      withClipped(function (found) {
        if (!found.places.length) { say("No light is clipped in this frame."); return; }
        var at = (nextClipped[number] || 0) % found.places.length, cell = found.places[at];
        nextClipped[number] = at + 1;
        var side = Math.max(fact.width_px / found.cols, fact.height_px / found.rows);
        say("Clipped place " + (at + 1) + " of " + found.places.length + ": " + (cell[2] < 0.001 ? "under 0.1" : (100 * cell[2]).toFixed(1)) + " % of the frame is lost there.");
        goTo(number, (cell[1] + 0.5) * side / fact.width_px - 0.5, (cell[0] + 0.5) * side / fact.height_px - 0.5);
      });
    }
    function toggle(name) {
      drawn[name] = !drawn[name];
      document.querySelector("[data-do=" + name + "]").setAttribute("aria-pressed", String(drawn[name]));
      if (name === "lost" && drawn.lost) { withClipped(draw); }
      draw();
    }
    function brighten(by) { lift = Math.max(0, Math.min(4, lift + by)); draw(); }
    function move(right, down) {
      var pane = panes[chosen], fact = facts[pane.number], at = seenIn(pane.number);
      if (!fact || !at) { return; }
      goTo(pane.number, at[0] + right * pane.view.clientWidth / 3 / scale / fact.width_px,
        at[1] + down * pane.view.clientHeight / 3 / scale / fact.height_px);
    }

    function travel(number, end) {
      if (number !== "") { location.assign("/set/" + number); } else if (end) { location.assign("/end"); }
    }
    function leave(number, end) { queue.then(function () { travel(number, end); }); }

    var deeds = {
      sharpest: function () { spot("sharpest"); }, softest: function () { spot("softest"); }, clipped: nextLost,
      widths: function () { toggle("widths"); }, lost: function () { toggle("lost"); }, smear: function () { toggle("smear"); },
      brighter: function () { brighten(1); }, darker: function () { brighten(-1); }, note: openNote,
      accept: function () {
        change("/accept", { frame: first }, function (state) {
          return state.frames.length ? "Kept: the program's word is yours on " + state.frames.length + (state.frames.length === 1 ? " frame." : " frames.") :
            "You have said something of every frame of this set already.";
        });
      },
      undo: function () { step("/undo", "undo"); }, redo: function () { step("/redo", "redo"); }
    };
    all("[data-do]").forEach(function (button) { button.addEventListener("click", deeds[button.dataset.do]); });
    all(".decide [data-word]").forEach(function (button) {
      button.addEventListener("click", function () { decide(button.dataset.word); });
    });
    all("#strip button").forEach(function (button, at) { button.addEventListener("click", function () { choose(at); }); });
    panes.forEach(function (pane, at) {
      pane.element.querySelector(".choose-frame").addEventListener("click", function () { choose(at); });
      var held = null;
      pane.view.addEventListener("pointerdown", function (event) {
        held = [event.clientX, event.clientY];
        pane.view.setPointerCapture(event.pointerId);
        choose(at);
      });
      pane.view.addEventListener("pointermove", function (event) {
        var fact = facts[pane.number], from = held && fact && seenIn(pane.number);
        if (!from) { return; }
        goTo(pane.number, from[0] - (event.clientX - held[0]) / scale / fact.width_px,
          from[1] - (event.clientY - held[1]) / scale / fact.height_px);
        held = [event.clientX, event.clientY];
      });
      ["pointerup", "pointercancel"].forEach(function (kind) {
        pane.view.addEventListener(kind, function () { held = null; });
      });
    });
    id("whole").addEventListener("click", function (event) {
      var box = id("whole-picture").getBoundingClientRect();
      goTo(panes[chosen].number, (event.clientX - box.left) / box.width - 0.5, (event.clientY - box.top) / box.height - 0.5);
    });

    var keys = {
      k: function () { decide("keeper"); }, l: function () { decide("look-again"); }, r: function () { decide("reject"); },
      b: function () { decide(""); }, a: deeds.accept, n: openNote, s: deeds.sharpest, w: deeds.softest, c: nextLost,
      m: deeds.widths, h: deeds.lost, e: deeds.smear, "+": deeds.brighter, "-": deeds.darker,
      "?": function () { leave("", false); location.assign("/help"); }
    };
    var moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    document.addEventListener("keydown", function (event) {
      if (id("note-box").open || event.altKey || event.metaKey && !event.ctrlKey && "zy".indexOf(event.key) < 0) { return; }
      var key = event.key, onControl = event.target.closest("button, a, summary");
      var deed = null;
      if ((event.ctrlKey || event.metaKey) && key.toLowerCase() === "z") { deed = event.shiftKey ? deeds.redo : deeds.undo; }
      else if ((event.ctrlKey || event.metaKey) && key.toLowerCase() === "y") { deed = deeds.redo; }
      else if (event.ctrlKey) { return; }
      else if (moves[key] && event.shiftKey) { deed = function () { move(moves[key][0], moves[key][1]); }; }
      else if (key === "ArrowLeft") { deed = function () { choose(chosen - 1); }; }
      else if (key === "ArrowRight") { deed = function () { choose(chosen + 1); }; }
      else if (key === "PageDown" || key === "Enter" && !onControl) { deed = function () { leave(root.dataset.after, true); }; }
      else if (key === "PageUp") { deed = function () { leave(root.dataset.before, false); }; }
      else if (singleKeys() && keys[key.toLowerCase()] && !event.repeat) { deed = keys[key.toLowerCase()]; }
      if (deed) { event.preventDefault(); deed(); }
    });
    window.addEventListener("resize", arrange);

    ask("/set-data/" + first).then(function (data) {
      data.frames.forEach(function (fact) { facts[fact.number] = fact; });
      var best = data.frames.find(function (fact) { return fact.sharpest; });
      if (best) { place = [best.sharpest[0], best.sharpest[1], 1]; }
      arrange();
      return ask("/turns/" + first);
    }).then(function (found) {
      turns = found;
      var lead = panes.find(function (pane) { return facts[pane.number] && facts[pane.number].sharpest; });
      if (lead) { goTo(lead.number, facts[lead.number].sharpest[0], facts[lead.number].sharpest[1]); }
      draw();
      root.dataset.ready = "1";
    }).catch(failed);
    watch("/state?frame=" + first, take);
    arrange();
  }

  /* ------------------------------------------------------------ the end */

  function startEnd(form) {
    form.addEventListener("submit", function (event) {
      event.preventDefault();
      var ratings = {};
      ["keeper", "look-again", "reject"].forEach(function (word) {
        var value = form.elements[word].value;
        if (value !== "") { ratings[word] = Number(value); }
      });
      function ticked(name) { return Boolean(form.elements[name] && form.elements[name].checked); }
      try { sessionStorage.setItem("wishes", JSON.stringify({ ratings: ratings, replaces: ticked("replaces"), copies: ticked("copies"), whole: ticked("whole") })); } catch (error) { /* only a comfort */ }
      say("The list is being made.");
      tell("/end/plan", { ratings: ratings, replaces_ratings: ticked("replaces"), copies: ticked("copies"), whole_series: ticked("whole") })
        .then(function () { location.reload(); }, failed);
    });
    try {
      var wishes = JSON.parse(sessionStorage.getItem("wishes"));
      if (wishes) {
        Object.keys(wishes.ratings).forEach(function (word) { form.elements[word].value = String(wishes.ratings[word]); });
        ["replaces", "copies", "whole"].forEach(function (name) { if (form.elements[name]) { form.elements[name].checked = wishes[name]; } });
      }
    } catch (error) { /* only a comfort */ }
    var there = id("there"), confirm = id("confirm");
    function wait(state) {
      if (state.is_writing) { say("Being written: " + (state.done_bytes / 1e6).toFixed(1) + " MB copied or compared."); } else { location.reload(); }
    }
    if (there && there.dataset.busy === "1") { watch("/state", wait); } else { watch("/state"); }
    if (confirm) {
      confirm.addEventListener("click", function () {
        confirm.disabled = true;
        tell("/end/write", { plan: there.dataset.plan }).then(function () { location.reload(); }, failed);
      });
    }
  }

  /* ------------------------------------------------------------ start */

  var box = id("single-keys");
  if (box) {
    box.checked = singleKeys();
    box.addEventListener("change", function () {
      try { localStorage.setItem("single-keys", box.checked ? "on" : "off"); } catch (error) { say("This browser keeps no settings."); }
    });
  }
  if (id("set")) { startSet(id("set")); } else if (id("wishes")) { startEnd(id("wishes")); } else { watch("/state"); }
}());
