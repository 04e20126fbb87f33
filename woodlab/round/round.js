"use strict";
(function () {
  var R = JSON.parse(document.getElementById("data").textContent);
  var KEY = "woodlab-round:" + R.id, LOOKS = "woodlab-round-screen";
  var G_LB = 453.59237, G_OZ = G_LB / 16, SLIPS = [10, 0.1, 100, 0.01, 1000, 0.001], MOST_UNDO = 80;
  var $ = function (id) { return document.getElementById(id); };
  var B = R.bowls, S, keeps = true, asked = -1;

  /* ---- what is kept, and where ---- */
  function blank() { return { w: "", oz: "", kept: false, c: "", by: "", mm: "", a: "", n: "", t: "", f: "" }; }
  function fresh() {
    return { v: 1, on: R.on, who: "", mode: "", cur: 0, e: R.bowls.map(blank), more: [], undo: [], saved: "" };
  }
  function sound(s) { return s && s.v === 1 && Array.isArray(s.e) && s.e.length === R.bowls.length + (s.more || []).length; }
  /* The bowls of the list, and those that were added while typing. */
  function bowls() {
    B = R.bowls.concat((S.more || []).map(function (mark) {
      return { mark: mark, wood: "not on the list", seal: "asked about when the round is taken back", place: "", do: "weigh", note: "", last_g: null, last_on: "", expected_g: null, lower_g: null, upper_g: null, known: false };
    }));
    while ($("strip").children.length < B.length) $("strip").append(document.createElement("i"));
    while ($("strip").children.length > B.length) $("strip").lastChild.remove();
    $("all").textContent = B.length; $("strip").setAttribute("aria-valuemax", B.length);
  }
  function add(mark) {
    S.more = (S.more || []).concat([mark]); S.e.push(blank()); S.saved = "";
    bowls(); go(B.length - 1);
  }
  function load() {
    try { var s = JSON.parse(localStorage.getItem(KEY)); S = sound(s) ? s : fresh(); }
    catch (no) { S = fresh(); }
    bowls();
  }
  function keep() { S.n = (S.n || 0) + 1; store(); }
  function store() {
    var text = JSON.stringify(S);
    strict(function (rounds) { rounds.put(text, KEY); });
    try { localStorage.setItem(KEY, text); if (!keeps) { keeps = true; $("trouble").hidden = true; } }
    catch (no) { keeps = false; trouble("This browser does not keep what you type. Do not close it: use Finish and save the file first."); }
  }
  // A browser that is killed loses what its local storage had not yet put on disk: ten seconds and
  // more. A strict transaction is on disk when it is done. Of the two, the one with more steps holds.
  var db = null;
  function strict(work) {
    if (!db) return;
    try { work(db.transaction("rounds", "readwrite", { durability: "strict" }).objectStore("rounds")); } catch (no) { db = null; }
  }
  function recover() {
    var q;
    try { q = indexedDB.open("woodlab-round", 1); } catch (no) { return; }
    q.onupgradeneeded = function () { q.result.createObjectStore("rounds"); };
    q.onsuccess = function () {
      db = q.result;
      strict(function (rounds) {
        var got = rounds.get(KEY);
        got.onsuccess = function () {
          var s = null;
          try { s = JSON.parse(got.result); } catch (no) { s = null; }
          if (sound(s) && (s.n || 0) > (S.n || 0)) { S = s; bowls(); if (S.mode) draw(true); else start(); }
          store();
        };
      });
    };
  }
  function trouble(text) { $("trouble").textContent = text; $("trouble").hidden = false; }
  function say(text) { $("said").textContent = ""; setTimeout(function () { $("said").textContent = text; }, 30); }

  /* One step back for each thing changed; typing on in one field is one step. */
  function change(i, field, patch, word) {
    var top = S.undo[S.undo.length - 1];
    if (!(top && top.i === i && top.f === field && field !== "fix" && Date.now() - top.at < 20000 && S.cur === i && top.open)) {
      S.undo.push({ i: i, f: field, was: Object.assign({}, S.e[i]), word: word, at: Date.now(), open: true });
      if (S.undo.length > MOST_UNDO) S.undo.shift();
    }
    Object.assign(S.e[i], patch);
    S.e[i].t = new Date().toISOString();
    S.saved = "";
    keep(); strip();
  }
  function seal() { S.undo.forEach(function (u) { u.open = false; }); }
  function undo() {
    var u = S.undo.pop();
    if (!u) { say("There is nothing to undo."); return; }
    var both = u.with;
    S.e[u.i] = u.was;
    if (both) S.e[both.i] = both.was;
    S.saved = "";
    S.cur = u.i; asked = -1; keep(); draw(true);
    say("Undone: " + u.word + " of " + B[u.i].mark + ".");
  }

  /* ---- weights ---- */
  function number(text) {
    text = String(text).trim().replace(",", ".");
    return /^(\d+\.?\d*|\.\d+)$/.test(text) ? parseFloat(text) : NaN;
  }
  /* A length in mm: a number, or in inches a fraction such as 1 1/8. */
  function mm(text) {
    var f = /^(?:(\d+)\s+)?(\d+)\/(\d+)\s*"?$/.exec(String(text).trim());
    if (R.length !== "in") return number(text);
    return +(25.4 * (f ? +(f[1] || 0) + f[2] / f[3] : number(String(text).replace(/"$/, "")))).toFixed(3);
  }
  function grams(e) {
    if (!e.w.trim() && !e.oz.trim()) return null;
    var a = e.w.trim() ? number(e.w) : 0, b = e.oz.trim() ? number(e.oz) : 0;
    var g = R.unit === "kg" ? a * 1000 : R.unit === "lboz" ? a * G_LB + b * G_OZ : a;
    return g > 0 ? g : NaN;
  }
  function real(g) { return g !== null && !isNaN(g); }
  function shown(g, bare) {
    if (R.unit === "lboz") { var o = Math.round(g / G_OZ * 10) / 10; return Math.floor(o / 16) + " lb " + (o % 16).toFixed(1) + " oz"; }
    var t = R.unit === "kg" ? (g / 1000).toFixed(3) : g >= 100 ? g.toFixed(0) : g.toFixed(1);
    return bare ? t : t + " " + R.unit;
  }
  function typed(g) {
    if (R.unit === "lboz") { var o = Math.round(g / G_OZ * 100) / 100; return { w: String(Math.floor(o / 16)), oz: String(+(o % 16).toFixed(2)) }; }
    return { w: String(+(R.unit === "kg" ? g / 1000 : g).toFixed(3)), oz: "" };
  }
  function fits(i, g) { return B[i].lower_g !== null && B[i].upper_g !== null && g >= B[i].lower_g && g <= B[i].upper_g; }
  function odd(i, g) { return (B[i].lower_g !== null && g < B[i].lower_g) || (B[i].upper_g !== null && g > B[i].upper_g); }
  function bandText(b) {
    if (b.upper_g === null) return "";
    if (b.lower_g === null) return "up to " + shown(b.upper_g);
    if (R.unit === "lboz") {  // 4 lb 11.8–14.1 oz where both are of the same pound
      var lo = shown(b.lower_g), hi = shown(b.upper_g), same = lo.split(" lb ")[0] === hi.split(" lb ")[0];
      return lo.replace(same ? " oz" : "", "") + "–" + (same ? hi.split(" lb ")[1] : hi);
    }
    return shown(b.lower_g, true) + "–" + shown(b.upper_g);
  }

  /* What an odd weight may be, the likeliest first. */
  function doubt(i) {
    var e = S.e[i], g = grams(e), b = B[i], ways = [], text, k;
    if (!real(g) || e.kept || !odd(i, g)) return null;
    var others = B.map(function (_, j) { return j; }).filter(function (j) { return j !== i && fits(j, g); });
    var swap = others.filter(function (j) { var h = grams(S.e[j]); return real(h) && odd(j, h) && fits(i, h); })[0];
    var slip = SLIPS.map(function (f) { return g * f; }).filter(function (h) { return fits(i, h); })[0];
    var turned = R.unit === "lboz" && number(e.oz) * G_LB + number(e.w) * G_OZ;
    var heavier = b.upper_g !== null && g > b.upper_g;
    if (swap !== undefined) {
      text = shown(g) + " fits " + B[swap].mark + ", and what " + B[swap].mark + " has fits here. Were the two swapped?";
      ways.push(["Swap with " + B[swap].mark, function () { exchange(i, swap); }]);
    } else if (slip !== undefined) {
      text = shown(g) + " is far from what " + b.mark + " should weigh. A slip of the decimal point?";
      ways.push(["Make it " + shown(slip), function () { change(i, "fix", typed(slip), "weight"); }]);
    } else if (turned && fits(i, turned)) {
      text = "Pounds and ounces the other way round?";
      ways.push(["Make it " + shown(turned), function () { change(i, "fix", typed(turned), "weight"); }]);
    } else {
      var free = others.filter(function (j) { return grams(S.e[j]) === null; })
        .sort(function (x, y) { return Math.abs(x - i) - Math.abs(y - i); }).slice(0, 2);
      // Just outside is one good weighing in a hundred, or a damp week: then no other bowl is named.
      var width = b.lower_g === null ? 0 : b.upper_g - b.lower_g, just = heavier ? g - b.upper_g < width / 2 : b.lower_g - g < width / 2;
      if (just) free = [];
      text = (just ? "A little " : "") + (heavier ? "heavier" : "lighter") + " than " + b.mark + " should be. " +
        (free.length ? "Is it another bowl? It would fit " + free.map(function (j) { return B[j].mark; }).join(" or ") + "." : "Is it " + b.mark + "? Is the scale at zero?");
      text = text.charAt(0).toUpperCase() + text.slice(1);
      for (k = 0; k < free.length; k++) ways.push(["It is " + B[free[k]].mark, give.bind(null, i, free[k])]);
    }
    ways.push(["Keep " + shown(g) + " (Enter)", function () { change(i, "kept", { kept: true }, "answer"); }, true]);
    return { text: text, ways: ways };
  }
  function exchange(i, j) {
    var x = { w: S.e[i].w, oz: S.e[i].oz, kept: false }, y = { w: S.e[j].w, oz: S.e[j].oz, kept: false }, was = Object.assign({}, S.e[j]);
    change(i, "fix", y, "swap"); S.undo[S.undo.length - 1].with = { i: j, was: was };
    Object.assign(S.e[j], x); keep();
  }
  function give(i, j) {
    var was = Object.assign({}, S.e[j]), x = { w: S.e[i].w, oz: S.e[i].oz, t: new Date().toISOString() };
    change(i, "fix", { w: "", oz: "", kept: false }, "weight"); S.undo[S.undo.length - 1].with = { i: j, was: was };
    Object.assign(S.e[j], x); keep();
    say("Put down for " + B[j].mark + ". Now " + B[i].mark + ".");
  }

  /* ---- the card ---- */
  var segs = {};
  R.cracks.forEach(function (c) {
    var l = document.createElement("label"), n = document.createElement("input"), t = document.createElement("span");
    n.type = "radio"; n.name = "crack"; n.value = c; t.textContent = { none: "none", still: "still", new: "new" }[c];
    l.append(n, t); $("seg").append(l); segs[c] = n;
    // Stay in the weight's field, so that the keypad does not go down and up.
    l.addEventListener("mousedown", function (ev) { ev.preventDefault(); });
    n.addEventListener("click", function () { pickCrack(c); });
    n.addEventListener("change", function () { pickCrack(c); });
  });
  function pickCrack(c) {
    if (S.e[S.cur].c === c && S.e[S.cur].by === "tap") return;
    change(S.cur, "crack", { c: c, by: "tap", mm: c === "none" ? "" : S.e[S.cur].mm }, "crack"); drawCrack();
  }
  R.actions.forEach(function (a) { var o = document.createElement("option"); o.value = a === "none" ? "" : a; o.textContent = a === "none" ? "nothing" : a; $("act").append(o); });

  function dayText(iso) {
    var p = iso.split("-"); return +p[2] + " " + ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"][p[1] - 1] + (p[0] === R.on.slice(0, 4) ? "" : " " + p[0]);
  }
  function strip() {
    var n = 0, bits = $("strip").children;
    B.forEach(function (_, i) {
      var g = grams(S.e[i]), got = real(g); n += got;
      bits[i].className = (got ? (odd(i, g) && !S.e[i].kept ? "odd" : "got") : "") + (i === S.cur ? " here" : "");
    });
    $("done").textContent = n;
    $("strip").setAttribute("aria-valuenow", n);
    $("strip").setAttribute("aria-valuetext", n + " of " + B.length + " weighed");
    $("undo").setAttribute("aria-disabled", S.undo.length ? "false" : "true");
    return n;
  }
  function draw(tell) {
    var i = S.cur, b = B[i], e = S.e[i];
    show("round");
    $("mark").textContent = b.mark; $("mark").className = b.mark.length > 6 ? "long" : "";
    $("what").textContent = [b.wood, b.seal === "none" ? "bare" : b.seal].join("; ");
    $("known").textContent = "";
    if (b.note) { var s = document.createElement("span"); s.textContent = b.note; $("known").append(s); }
    if (b.do.indexOf("weigh") < 0) { var q = document.createElement("span"); q.textContent = "Due for a look; a weight is welcome"; $("known").append(q); }
    $("w-label").textContent = "Weight of " + b.mark + (R.unit === "lboz" ? ", lb" : " in " + R.unit);
    $("oz-label").textContent = "Weight of " + b.mark + ", oz";
    $("w").value = e.w; $("oz").value = e.oz; $("mm").value = e.mm; $("note").value = e.n; $("act").value = e.a; $("wall").value = e.f || "";
    $("wall-field").hidden = e.a !== "finished"; $("back").disabled = i === 0;
    $("next").textContent = i === B.length - 1 ? "To the end" : "Next bowl";
    band(); drawCrack(); drawAsk(asked === i); strip();
    if (tell) say(b.mark + ", bowl " + (i + 1) + " of " + B.length + ". " + (b.known ? "Known crack. " : "") + (bandText(b) ? "Expect " + bandText(b) + "." : "No weight expected yet."));
    window.scrollTo(0, 0);
    $("w").focus({ preventScroll: true });
    $("w").select();
  }
  function band() {
    var b = B[S.cur], g = grams(S.e[S.cur]), p = $("band"), known = bandText(b);
    p.textContent = "";
    var m = document.createElement("b"); m.textContent = known ? (S.on === R.on ? "Expect " : "On " + dayText(R.on) + " expect ") + known : "No weight expected yet"; p.append(m);
    if (b.last_g !== null) { var s = document.createElement("span"); s.textContent = "was " + shown(b.last_g) + " on " + dayText(b.last_on); p.append(" ", s); }
    var whole = b.lower_g !== null && b.upper_g !== null;
    $("gauge").hidden = !whole;
    if (!whole) return;
    var pad = 0.7 * (b.upper_g - b.lower_g), from = b.lower_g - pad, span = b.upper_g - b.lower_g + 2 * pad;
    var at = function (v) { return Math.max(1, Math.min(99, 100 * (v - from) / span)); };
    $("g-band").style.left = at(b.lower_g) + "%"; $("g-band").style.width = at(b.upper_g) - at(b.lower_g) + "%";
    $("g-mid").style.left = at(b.expected_g) + "%";
    $("g-dot").hidden = !real(g);
    if (real(g)) { $("g-dot").style.left = at(g) + "%"; $("g-dot").className = odd(S.cur, g) ? "out" : ""; }
  }
  function drawCrack() {
    var e = S.e[S.cur], known = B[S.cur].known;
    R.cracks.forEach(function (c) { segs[c].checked = e.c === c; });
    $("len").hidden = !(e.c === "new" || e.c === "still");
    $("crack-hint").textContent = known ? "known; now:" : S.mode === "look" && !e.c ? "(Enter: none)" : "";
    $("cracks").classList.toggle("open", known && !e.c);
  }
  function drawAsk(on) {
    var d = on ? doubt(S.cur) : null, g = grams(S.e[S.cur]), bad = on && g !== null && isNaN(g);
    $("ask-ways").textContent = "";
    $("ask").hidden = !(d || bad);
    $("w").classList.toggle("bad", !!(d || bad)); $("w").setAttribute("aria-invalid", bad ? "true" : "false");
    $("ask-text").textContent = bad ? "That is no weight. Figures only, please." : d ? d.text : "";
    if (!d) return;
    d.ways.forEach(function (way) {
      var x = document.createElement("button"); x.type = "button"; x.textContent = way[0];
      x.addEventListener("mousedown", function (ev) { ev.preventDefault(); });
      x.addEventListener("click", function () { way[1](); asked = -1; if (way[2] || !doubt(S.cur) && grams(S.e[S.cur]) !== null) step(1); else draw(); });
      $("ask-ways").append(x);
    });
    say(d.text + " Enter again keeps it.");
  }

  /* ---- moving ---- */
  function leave() {
    var e = S.e[S.cur];
    if (S.mode === "look" && !e.c && !B[S.cur].known && real(grams(e)) && !e.a) {
      var top = S.undo[S.undo.length - 1];  // one step back with the weight that it came with
      if (top && top.i === S.cur) { Object.assign(e, { c: "none", by: "enter" }); keep(); } else change(S.cur, "w", { c: "none", by: "enter" }, "crack");
    }
    seal();
  }
  function step(n) {
    if (n > 0) leave();
    asked = -1;
    if (S.cur + n >= B.length) { keep(); end(); return; }
    S.cur = Math.max(0, S.cur + n); keep(); draw(true);
  }
  function next() {
    var i = S.cur, g = grams(S.e[i]);
    if (g !== null && isNaN(g)) { asked = i; drawAsk(true); $("w").focus(); return; }
    if (doubt(i)) {
      if (asked !== i) { asked = i; drawAsk(true); return; }
      change(i, "kept", { kept: true }, "answer");
    }
    step(1);
  }
  function plain(t) { return t.trim().toLowerCase().replace(/\s+/g, ""); }
  function jump() {
    var t = plain($("to").value), hits;
    if (!t) return;
    hits = B.map(function (b, i) { return i; }).filter(function (i) { return plain(B[i].mark) === t; });
    if (!hits.length) hits = B.map(function (b, i) { return i; }).filter(function (i) { return plain(B[i].mark).indexOf(t) === 0; });
    if (!hits.length && window.confirm("No " + $("to").value.trim() + " in this round. Add it as a bowl that is not on the list?")) {
      var mark = $("to").value.trim(); $("to").value = ""; add(mark); return;
    }
    if (hits.length !== 1) {
      var why = hits.length ? hits.length + " marks begin so: " + hits.slice(0, 4).map(function (i) { return B[i].mark; }).join(", ") : "No " + $("to").value.trim() + " in this round";
      $("to").value = ""; trouble(why + "."); setTimeout(function () { if (keeps) $("trouble").hidden = true; }, 6000); return;
    }
    $("to").value = ""; $("trouble").hidden = !keeps ? false : true;
    go(hits[0]);
  }
  function go(i) { seal(); S.cur = i; asked = -1; keep(); draw(true); }

  /* ---- the end ---- */
  function show(id) { ["start", "round", "end"].forEach(function (x) { $(x).hidden = x !== id; }); }
  function list(head, marks) {
    if (!marks.length) return;
    var d = document.createElement("div"), p = document.createElement("p"), m = document.createElement("div");
    p.textContent = head; m.className = "marks";
    marks.forEach(function (i) { var x = document.createElement("button"); x.type = "button"; x.textContent = B[i].mark; x.addEventListener("click", function () { go(i); }); m.append(x); });
    d.append(p, m); $("left").append(d);
  }
  function where(test) { return B.map(function (_, i) { return i; }).filter(function (i) { return test(S.e[i], B[i], grams(S.e[i]), i); }); }
  function end() {
    var n = strip();
    show("end"); $("left").textContent = ""; $("out-said").textContent = S.saved ? "Saved or copied." : ""; $("by-hand").hidden = true;
    $("end-head").textContent = n + " of " + B.length + " weighed";
    list("No weight that can be read:", where(function (e, b, g) { return g !== null && isNaN(g); }));
    list("Not weighed:", where(function (e, b, g) { return g === null && b.do.indexOf("weigh") >= 0; }));
    list("Out of the band, and no answer yet:", where(function (e, b, g, i) { return real(g) && odd(i, g) && !e.kept; }));
    list("Had a crack; how is it now?", where(function (e, b) { return b.known && !e.c && S.mode === "look"; }));
    list("Something was done; say of the crack too:", where(function (e, b) { return (e.a === "glued" || e.a === "resealed") && !e.c && !(b.known && S.mode === "look"); }));
    list("Length of the crack is no number:", where(function (e) { return e.mm && isNaN(mm(e.mm)); }));
    list("Final wall is no number:", where(function (e) { return e.a === "finished" && e.f && isNaN(mm(e.f)); }));
    if (!$("left").children.length) { var p = document.createElement("p"); p.className = "all"; p.textContent = "Nothing is left open."; $("left").append(p); }
    window.scrollTo(0, 0); $("end-head").focus();
  }
  function cell(v) {
    v = String(v).replace(/[\r\n]+/g, " ");
    if (/^[=+\-@\t']/.test(v)) v = "'" + v;  // text for a spreadsheet program, never a formula
    return /[",;\n]/.test(v) ? '"' + v.replace(/"/g, '""') + '"' : v;
  }
  function csv() {
    var rows = [["format", "round_id", "on", "piece", "mass_g", "typed", "unit", "kept_outside_band", "crack", "crack_by", "crack_mm", "action", "note", "typed_at", "lower_g", "upper_g", "finished_wall_mm", "who"]];
    where(function (e) { return e.w || e.oz || e.c || e.a || e.n; }).forEach(function (i) {
      var e = S.e[i], g = grams(e);
      rows.push([R.format, R.id, S.on, B[i].mark, real(g) ? +g.toFixed(3) : "", R.unit === "lboz" && (e.w || e.oz) ? (e.w || "0") + " lb " + (e.oz || "0") + " oz" : e.w, R.unit,
        real(g) && e.kept ? "yes" : "", e.c, e.by, e.mm && !isNaN(mm(e.mm)) ? mm(e.mm) : e.mm, e.a, e.n, e.t, B[i].lower_g === null ? "" : B[i].lower_g, B[i].upper_g === null ? "" : B[i].upper_g,
        e.a === "finished" && e.f ? isNaN(mm(e.f)) ? e.f : mm(e.f) : "", S.who || ""]);
    });
    return "\ufeff" + rows.map(function (r) { return r.map(cell).join(","); }).join("\r\n") + "\r\n";
  }
  function fileName() { return "round_" + R.id + (S.who ? "_" + S.who.replace(/[^A-Za-z0-9]+/g, "-") : "") + ".csv"; }
  function out(text) { S.saved = new Date().toISOString(); keep(); $("out-said").textContent = text; }
  function save() {
    var a = document.createElement("a"), u = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    a.href = u; a.download = fileName(); document.body.append(a); a.click(); a.remove();
    setTimeout(function () { URL.revokeObjectURL(u); }, 60000);
    out("Saved as " + fileName() + ", where this browser puts its files.");
  }
  function shareable() {
    try { return new File([csv()], fileName(), { type: "text/csv" }); } catch (no) { return null; }
  }
  function copy() {
    var hand = function () { $("by-hand").hidden = false; $("text").value = csv().slice(1); $("text").focus(); $("text").select();
      var ok = false; try { ok = document.execCommand("copy"); } catch (no) { ok = false; }
      out(ok ? "Copied. Paste it into a message to yourself." : "Select the text and copy it."); };
    if (navigator.clipboard && navigator.clipboard.writeText) navigator.clipboard.writeText(csv().slice(1)).then(function () { out("Copied. Paste it into a message to yourself."); }, hand);
    else hand();
  }

  /* ---- the screen ---- */
  var SCREENS = ["auto", "sun", "dark"], SCREEN_NAMES = { auto: "Screen", sun: "Sun", dark: "Dark" };
  var night = window.matchMedia ? matchMedia("(prefers-color-scheme: dark)") : { matches: false };
  function screen(turn) {
    var now = "auto"; try { now = localStorage.getItem(LOOKS) || "auto"; } catch (no) { now = document.documentElement.dataset.choice || "auto"; }
    if (turn) { now = SCREENS[(SCREENS.indexOf(now) + 1) % 3]; try { localStorage.setItem(LOOKS, now); } catch (no) { /* not kept */ } say("Screen: " + now); }
    document.documentElement.dataset.choice = now;
    document.documentElement.dataset.screen = now === "auto" ? (night.matches ? "dark" : "light") : now;
    $("screen").textContent = SCREEN_NAMES[now] || "Screen"; $("screen").setAttribute("aria-label", "Screen: " + now + ". Change it");
  }
  if (night.addEventListener) night.addEventListener("change", function () { screen(false); });

  /* ---- wiring ---- */
  function typing(id, field, word) {
    $(id).addEventListener("input", function () {
      var patch = {}; patch[field] = $(id).value;
      if (field === "w" || field === "oz") { patch.kept = false; asked = -1; }
      change(S.cur, field === "oz" ? "w" : field, patch, word);
      if (field === "w" || field === "oz") { band(); drawAsk(false); }
    });
  }
  typing("w", "w", "weight"); typing("oz", "oz", "weight"); typing("mm", "mm", "length"); typing("note", "n", "remark"); typing("wall", "f", "final wall");
  $("act").addEventListener("change", function () { change(S.cur, "act", { a: $("act").value }, "what was done"); $("wall-field").hidden = $("act").value !== "finished"; });
  $("card").addEventListener("submit", function (ev) {
    ev.preventDefault();
    if (document.activeElement === $("to")) { jump(); return; }
    if (R.unit === "lboz" && document.activeElement === $("w") && $("w").value && !$("oz").value) { $("oz").focus(); return; }
    next();
  });
  // Buttons leave the focus in the weight's field: the keypad stays up, and what is typed next arrives.
  ["next", "back", "undo", "screen"].forEach(function (id) { $(id).addEventListener("mousedown", function (ev) { ev.preventDefault(); }); });
  $("back").addEventListener("click", function () { seal(); step(-1); });
  $("undo").addEventListener("click", undo);
  $("screen").addEventListener("click", function () { screen(true); });
  $("finish").addEventListener("click", function () { leave(); keep(); end(); });
  $("on").addEventListener("click", function () { draw(true); });
  $("save").addEventListener("click", save); $("copy").addEventListener("click", copy);
  $("share").addEventListener("click", function () { navigator.share({ files: [shareable()], title: fileName() }).then(function () { out("Shared."); }, function () { /* the maker closed it */ }); });
  $("forget").addEventListener("click", function () {
    if (!S.saved && !window.confirm("It was not saved, shared or copied yet. Forget it all the same?")) return;
    strict(function (rounds) { rounds.delete(KEY); });
    try { localStorage.removeItem(KEY); } catch (no) { /* was not kept */ }
    S = fresh(); bowls(); start();
  });
  // With the keypad up there is half a screen: what is not needed then makes room. (iOS does not
  // shrink the page for its keypad, so a rule for the page's height alone would not see it.)
  function room() { document.documentElement.dataset.short = (window.visualViewport ? visualViewport.height : innerHeight) < 560 ? "yes" : ""; $("to").placeholder = document.documentElement.dataset.short ? "go to" : ""; }
  if (window.visualViewport) visualViewport.addEventListener("resize", room);
  window.addEventListener("resize", room);
  function begin(mode) { S.mode = mode; S.on = $("day").value || R.on; S.who = $("who").value.trim(); keep(); draw(true); }
  $("go-look").addEventListener("click", function () { begin("look"); });
  $("go-weigh").addEventListener("click", function () { begin("weigh"); });
  window.addEventListener("storage", function (ev) {
    if (ev.key !== KEY) return;
    load(); if (!$("round").hidden) draw(false);
    trouble("This round is open in another tab too. Close one of them.");
  });
  function start() {
    var d = new Date(), now = d.getFullYear() + "-" + String(d.getMonth() + 1).padStart(2, "0") + "-" + String(d.getDate()).padStart(2, "0");
    show("start"); $("start-day").textContent = dayText(R.on); $("day").value = S.on; $("who").value = S.who || "";
    $("day-now").hidden = now === S.on; $("day-now").textContent = "Today is " + dayText(now) + ": use that";
    $("day-now").onclick = function () { $("day").value = now; $("day-now").hidden = true; };
    var places = B.map(function (b) { return b.place; }).filter(function (p, i, all) { return p && all.indexOf(p) === i; });
    $("start-place").textContent = places.join("; "); $("go-look").focus();
  }
  $("ounces").hidden = R.unit !== "lboz"; $("weight").classList.toggle("two", R.unit === "lboz"); $("w-unit").textContent = R.unit === "lboz" ? "lb" : R.unit;
  try { $("share").hidden = !(navigator.canShare && navigator.canShare({ files: [shareableEmpty()] })); } catch (no) { /* no share sheet */ }
  function shareableEmpty() { return new File(["x"], "x.csv", { type: "text/csv" }); }
  load(); screen(false); room(); store();
  if (S.mode) draw(true); else start();
  recover();
}());
