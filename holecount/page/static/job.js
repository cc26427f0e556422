"use strict";
// One job: sends what was tapped, typed or dragged, and shows what comes back. Every figure and every word about the
// seat comes from the program; nothing is reckoned here.
(() => {
  const $ = (id) => document.getElementById(id);
  const token = document.querySelector("meta[name=holecount-token]").content;
  const address = "/api/jobs/" + document.body.dataset.job;
  let state = null;
  let chosen = null; // a hole of the state
  let place = null; // a place tapped where no hole is
  let placing = null; // {words, ends}
  let busy = 0;
  let round = "";

  const picture = new Picture($("picture"), {
    touched,
    moved: (i) => sayCorner(i),
    dropped: () => {},
  });

  // ---- talking with the program ----

  async function ask(way, body) {
    const how = body === undefined ? {} : {
      method: "POST",
      headers: { "X-Holecount-Token": token, "Content-Type": body instanceof Blob ? "application/octet-stream" : "application/json" },
      body: body instanceof Blob ? body : JSON.stringify(body),
    };
    let response;
    try { response = await fetch(address + way, how); } catch {
      throw { what: "The program does not answer. Is it still running?", hint: "What you entered last may have to be entered again." };
    }
    let answer = {};
    try { answer = await response.json(); } catch { /* said below */ }
    if (!response.ok) throw { status: response.status, what: answer.what || `That did not work (${response.status}).`, hint: answer.hint || "" };
    return answer;
  }

  function complain(e) {
    $("message").textContent = e && e.what ? `${e.what} ${e.hint || ""}`.trim() : String(e);
  }

  let asked = 0;

  // What was just tapped is drawn as under way until the answer comes.
  function pending(what) {
    if (!["strike-out", "mark", "add"].includes(what.do) || !picture.holes.length) return;
    if (what.do === "add") {
      const like = picture.holes[0];
      picture.holes = [...picture.holes, { n: 0, x: what.x, y: what.y, rx: like.rx, ry: like.ry, turn: like.turn, status: "open", pending: true, words: "" }];
    } else {
      picture.holes = picture.holes.map((h) => (h.x === what.x && h.y === what.y ? { ...h, pending: true } : h));
    }
    picture.draw();
  }

  async function change(what) {
    busy += 1;
    pending(what);
    const turn = ++asked;
    shade();
    try {
      const answer = await ask("", what);
      $("message").textContent = "";
      if (turn === asked) {
        show(answer);
        if (answer.doing) look();
      }
      return true;
    } catch (e) {
      complain(e);
      if (state) { picture.holes = state.holes; picture.draw(); }
      if (e.status === 409 && what.do !== "tape" && what.do !== "notes") look();
      if (e.status === 409 && (what.do === "tape" || what.do === "notes")) disagree(what);
      return false;
    } finally {
      busy -= 1;
      shade();
    }
  }

  // While something is being measured the page asks again and again; otherwise now and then, for other windows' changes.
  let waiting = 0;

  async function look() {
    clearTimeout(waiting);
    const turn = asked;
    let pause = 4000;
    try {
      const answer = await ask(`?wait=${state && state.doing ? 1 : 0}`);
      if (turn === asked && !busy) show(answer);
      if ($("message").dataset.lost) { $("message").textContent = ""; delete $("message").dataset.lost; }
      if (answer.doing) pause = 150;
    } catch (e) {
      complain(e);
      $("message").dataset.lost = "1";
    }
    waiting = setTimeout(look, document.hidden ? 15000 : pause);
  }

  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });

  function shade() {
    const words = state && state.doing ? state.doing : busy ? "working" : "";
    $("busy").hidden = !words;
    $("busy").textContent = words ? words + " …" : "";
    document.body.setAttribute("aria-busy", words ? "true" : "false");
    document.body.dataset.revision = state ? state.revision : "";
  }

  // ---- showing ----

  let shownAs = "";

  function show(fresh) {
    const as = JSON.stringify(fresh);
    const same = as === shownAs;
    shownAs = as;
    state = fresh;
    if (same) {
      if (!fresh.doing) { picture.holes = fresh.holes; picture.draw(); }
      shade();
      return;
    }
    const first = !picture.size && fresh.picture;
    const ready = !fresh.doing || fresh.holes.length > 0; // a preview counts
    picture.holes = ready ? fresh.holes : picture.holes;
    picture.outlines = placing ? [] : ready ? fresh.references : picture.outlines;
    if (fresh.picture) picture.show(fresh.picture, `${address}/tiles/${fresh.picture.key}/`);
    if ((first || picture.fitted) && fresh.holes.length) picture.wholeView();
    if (ready) {
      for (const part of ["answer", "figures", "size", "holes", "scale", "tape", "care"]) fill(part, fresh.shown[part] || "");
    }
    fill("corrections", fresh.shown.corrections);
    $("n-corrections").textContent = fresh.corrections.length ? `(${fresh.corrections.length})` : "";
    if (fresh.trouble && !fresh.doing) {
      fill("answer", "");
      const p = document.createElement("p");
      p.className = "message";
      p.textContent = `${fresh.trouble.what} ${fresh.trouble.hint}`.trim();
      $("answer").append(p);
      fill("figures", "");
      $("scale-card").open = true;
    }
    if (ready && fresh.said !== $("status").textContent) $("status").textContent = fresh.said || "";
    if (fresh.doing && $("status").textContent === "Loading the job.") $("status").textContent = "Measuring.";
    $("figures-card").hidden = !$("figures").childElementCount;
    setFields();
    plot(fresh);
    weave(fresh);
    if (chosen && ready) choose(fresh.holes.find((h) => Math.hypot(h.x - chosen.x, h.y - chosen.y) < 0.8 * h.rx) || null, true);
    shade();
    picture.draw();
  }

  function fill(part, html) {
    const box = $(part);
    if (box.dataset.html === html) return;
    box.dataset.html = html;
    const open = [...box.querySelectorAll("details")].map((d) => d.open);
    const at = box.contains(document.activeElement) ? [...box.querySelectorAll("button")].indexOf(document.activeElement) : -1;
    box.innerHTML = html; // laid out and escaped by the program
    box.querySelectorAll("details").forEach((d, i) => { d.open = !!open[i]; });
    if (at >= 0) { const all = box.querySelectorAll("button"); if (all.length) all[Math.min(at, all.length - 1)].focus(); }
  }

  function plot(fresh) {
    const key = fresh.holes.length && !fresh.doing ? fresh.revision : "";
    if (fresh.trouble && !fresh.doing) { $("plot").hidden = true; round = ""; }
    if (!key || key === round) return;
    round = key;
    clearTimeout(plot.later); // drawn once things have come to rest
    plot.later = setTimeout(() => {
      $("round").src = `/job/${document.body.dataset.job}/round.svg?${key}`;
      $("plot").hidden = false;
    }, 500);
  }

  // The weave is planned only when somebody looks at it.
  let woven = "";

  async function weave(fresh) {
    const key = fresh.holes.length && !fresh.doing ? fresh.revision : "";
    if (!$("weave-card").open || !key || key === woven) return;
    woven = key;
    const step = weaveStep();
    try {
      fill("weave", (await ask("/weave")).html);
      toStep(step, false);
    } catch (e) {
      woven = "";
      $("weave").textContent = `${e.what} ${e.hint || ""}`.trim();
      delete $("weave").dataset.html;
    }
  }

  function weaveStep() { return [...$("weave").querySelectorAll("figure")].findIndex((f) => !f.hidden); }

  function toStep(n, read) {
    const all = [...$("weave").querySelectorAll("figure")];
    if (!all.length) return;
    const at = Math.min(Math.max(n, 0), all.length - 1);
    all.forEach((f, i) => { f.hidden = i !== at; });
    $("weave").querySelector(".step-back").disabled = at === 0;
    $("weave").querySelector(".step-on").disabled = at === all.length - 1;
    if (read) all[at].querySelector("figcaption").focus({ preventScroll: true });
  }

  $("weave-card").addEventListener("toggle", () => { if (state) weave(state); });

  // ---- holes ----

  function tool() { return document.querySelector("input[name=tool]:checked").value; }

  function touched(at, hole) {
    picture.cross = null;
    const what = tool();
    if (what === "strike-out" && hole) { change({ do: "strike-out", x: hole.x, y: hole.y }); return; }
    if (what === "blocked" && hole) {
      change({ do: "mark", x: hole.x, y: hole.y, status: hole.status === "blocked" ? "open" : "blocked" });
      return;
    }
    if (what === "add" && !hole) { change({ do: "add", x: at[0], y: at[1] }); return; }
    if (hole) { choose(hole); return; }
    choose(null);
    if (what !== "look") return;
    place = at;
    picture.cross = at;
    $("chosen-words").textContent = "No hole was found here.";
    offer({ add: true });
    picture.draw();
  }

  function choose(hole, quietly) {
    chosen = hole;
    place = null;
    picture.chosen = hole ? hole.n : 0;
    if (!quietly) picture.cross = null;
    if (!hole) { if (!picture.cross) $("chosen").hidden = true; picture.draw(); return; }
    const words = hole.words + ".";
    if ($("chosen-words").textContent !== words) $("chosen-words").textContent = words;
    offer({ strike: true, blocked: hole.status !== "blocked", open: hole.status !== "open" });
    picture.draw();
  }

  function offer(what) {
    const had = $("chosen").contains(document.activeElement);
    for (const name of ["strike", "blocked", "open", "add"]) $("do-" + name).hidden = !what[name];
    $("chosen").hidden = false;
    if (had && document.activeElement.hidden) $("picture").focus();
  }

  $("do-strike").addEventListener("click", () => onChosen("strike-out"));
  $("do-blocked").addEventListener("click", () => onChosen("mark", "blocked"));
  $("do-open").addEventListener("click", () => onChosen("mark", "open"));
  $("do-none").addEventListener("click", () => { leave(); $("picture").focus(); });
  $("do-add").addEventListener("click", addHere);

  function onChosen(what, status) {
    if (!chosen) return;
    change({ do: what, x: chosen.x, y: chosen.y, ...(status ? { status } : {}) });
    if (what === "strike-out") { leave(); $("picture").focus(); }
  }

  function addHere() {
    const at = picture.cross || place;
    if (!at) return;
    change({ do: "add", x: at[0], y: at[1] });
    leave();
    $("picture").focus();
  }

  function leave() {
    picture.cross = null;
    choose(null);
    $("chosen").hidden = true;
  }

  function toHole(n) {
    const hole = state.holes.find((h) => h.n === n);
    if (!hole) return;
    choose(hole);
    picture.goTo(hole.x, hole.y, Math.max(picture.zoom, 28 / hole.rx));
    $("picture").scrollIntoView({ block: "nearest" });
  }

  $("picture").addEventListener("keydown", (e) => {
    if (!state || e.ctrlKey || e.metaKey || e.altKey) return;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const n = state.holes.length;
    const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
    if (picture.cross && arrows[key]) {
      const step = (e.shiftKey ? 20 : 2) / picture.zoom;
      picture.cross = [picture.cross[0] + step * arrows[key][0], picture.cross[1] + step * arrows[key][1]];
      place = picture.cross;
      picture.draw();
    } else if (arrows[key] && (e.shiftKey || key === "ArrowUp" || key === "ArrowDown" || !n)) {
      picture.moveBy(60 * arrows[key][0], 60 * arrows[key][1]);
    } else if (arrows[key]) {
      const at = chosen ? chosen.n : arrows[key][0] > 0 ? 0 : 1;
      const next = state.holes[(at - 1 + arrows[key][0] + n) % n];
      choose(next);
      const s = picture.spot(next.x, next.y);
      if (s[0] < 30 || s[1] < 30 || s[0] > picture.wide - 30 || s[1] > picture.high - 30) picture.goTo(next.x, next.y);
    } else if (key === "Enter" && picture.cross) addHere();
    else if (key === "Enter" && chosen) picture.goTo(chosen.x, chosen.y, Math.max(picture.zoom, 28 / chosen.rx));
    else if (key === "Escape") leave();
    else if (key === "x" && chosen) onChosen("strike-out");
    else if (key === "b" && chosen) onChosen("mark", "blocked");
    else if (key === "o" && chosen) onChosen("mark", "open");
    else if (key === "a") {
      choose(null);
      place = picture.cross = picture.middle();
      $("chosen-words").textContent = "Cross in the middle of the picture: arrows move it, Enter adds a hole, Escape leaves.";
      offer({ add: true });
      picture.draw();
    } else if (key === "+" || key === "=") picture.scaleBy(1.5);
    else if (key === "-") picture.scaleBy(1 / 1.5);
    else if (key === "0") picture.wholeView();
    else return;
    e.preventDefault();
  });

  $("nearer").addEventListener("click", () => picture.scaleBy(1.6));
  $("farther").addEventListener("click", () => picture.scaleBy(1 / 1.6));
  $("whole").addEventListener("click", () => picture.wholeView());

  document.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (!button || !state) return;
    if (button.classList.contains("show")) toHole(Number(button.dataset.hole));
    if (button.classList.contains("show-place")) {
      picture.goTo(Number(button.dataset.x), Number(button.dataset.y), Math.max(picture.zoom, 1.5));
      $("picture").scrollIntoView({ block: "nearest" });
    }
    if (button.classList.contains("step-back")) toStep(weaveStep() - 1, true);
    if (button.classList.contains("step-on")) toStep(weaveStep() + 1, true);
    if (button.classList.contains("take-back")) change({ do: "take-back", key: button.dataset.key });
    if (button.classList.contains("place")) {
      const ends = Number(button.dataset.ends || 4);
      startPlacing(button.dataset.words, button.dataset.size, ends, null);
    }
    if (button.classList.contains("move-corners")) {
      const r = state.references[Number(button.dataset.index)];
      startPlacing(r.words, r.size, r.drag.length, r.drag);
    }
  });

  // ---- the scale by hand ----

  function startPlacing(words, size, ends, at) {
    leave();
    placing = { words, ends };
    const s = picture.size;
    if (!s) return;
    const found = at || (ends === 4 && (state.references.find((r) => r.words === words && r.outline.length === 4) || {}).outline);
    const c = picture.middle(), w = 0.2 * Math.min(s.width, picture.wide / picture.zoom), h = ends === 2 ? 0 : 0.63 * w;
    picture.corners = found ? found.map((p) => [...p])
      : ends === 2 ? [[c[0] - w, c[1]], [c[0] + w, c[1]]]
        : [[c[0] - w, c[1] - h], [c[0] + w, c[1] - h], [c[0] + w, c[1] + h], [c[0] - w, c[1] + h]];
    picture.outlines = [];
    if (found) {
      const xs = found.map((p) => p[0]), ys = found.map((p) => p[1]);
      const span = Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
      picture.goTo((Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2,
        0.4 * Math.min(picture.wide, picture.high) / span);
    }
    $("placed-size").value = size;
    $("placed-size").placeholder = ends === 2 ? "length, such as 6 in or 150 mm" : "85.6x53.98";
    $("placing-size").querySelector("label").textContent = ends === 2 ? "Length between the two points" : "Size in mm, long side first";
    $("corners").replaceChildren(...picture.corners.map((_, i) => {
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = `${ends === 2 ? "End" : "Corner"} ${i + 1}`;
      b.addEventListener("keydown", (e) => nudge(e, i));
      b.addEventListener("focus", () => sayCorner(i));
      b.addEventListener("click", () => picture.goTo(...picture.corners[i], Math.max(picture.zoom, 1.5)));
      return b;
    }));
    $("placing-words").textContent = (ends === 2
      ? "Drag the numbered knobs so that the points lie on two marks far apart, and write how far that is: "
      : "Drag the numbered knobs so that the points lie where the sides, drawn on, would meet, beyond the picture's edge if need be: ") + words + ".";
    $("placing").hidden = false;
    picture.draw();
    $("picture").scrollIntoView({ block: "nearest" });
    $("corners").firstChild.focus({ preventScroll: true });
  }

  function nudge(e, i) {
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (!arrows[e.key] || !picture.corners) return;
    e.preventDefault();
    const step = e.shiftKey ? 10 : 1;
    const c = picture.corners[i];
    picture.setCorner(i, [c[0] + step * arrows[e.key][0], c[1] + step * arrows[e.key][1]]);
  }

  function sayCorner(i) {
    const b = $("corners").children[i];
    if (b && picture.corners) b.setAttribute("aria-label", `${b.textContent} at ${picture.corners[i].map(Math.round).join(", ")}`);
  }

  function stopPlacing() {
    placing = null;
    picture.corners = null;
    picture.outlines = state ? state.references : [];
    $("placing").hidden = true;
    picture.draw();
  }

  $("placed").addEventListener("click", async () => {
    const said = $("placed-size").value.trim();
    const corners = picture.corners.map((p) => p.map((v) => Math.round(100 * v) / 100));
    const done = await change({ do: "scale-by-hand", points: corners, size: said });
    if (done) { stopPlacing(); picture.wholeView(); $("picture").focus({ preventScroll: true }); }
  });
  $("not-placed").addEventListener("click", () => { stopPlacing(); $("picture").focus(); });

  // ---- what is typed ----

  const texts = { tape: $("tape-text"), notes: $("notes-text") };
  const saved = {}; // as the program had it last
  const later = {};

  function setFields() {
    for (const [name, box] of Object.entries(texts)) {
      const untouched = saved[name] === undefined || box.value === saved[name];
      if (untouched && box.value !== state[name]) box.value = state[name];
      if (untouched) saved[name] = state[name];
    }
    const s = state.settings;
    const own = s.cards.length && ![...$("object").options].some((o) => o.value === s.cards[0]);
    const fields = {
      shape: s.shape || "", chart: s.chart, thickness: s.thickness, strands: s.strands === null ? "" : String(s.strands),
      object: own ? "own" : (s.cards[0] === "card" ? "" : s.cards[0] || ""), own: own ? s.cards[0] : "", ruler: s.ruler || "",
      "job-name": s.name, date: s.date, cracks: said(s.cracks), "old-finish": said(s.old_finish),
    };
    for (const [id, value] of Object.entries(fields)) {
      if (document.activeElement !== $(id) && $(id).value !== value && !(id === "object" && $("own-field").hidden === false && value === "")) $(id).value = value;
    }
    if ($("object").value !== "own") $("own-field").hidden = true; else $("own-field").hidden = false;
    $("couched").checked = s.couched;
    $("in-pixels").checked = s.in_pixels;
    $("title").textContent = s.name;
    document.title = s.name + " – holecount";
    $("has-old-seat").textContent = state.old_seat ? "There is one." : "";
  }

  function said(value) { return value === null ? "" : value ? "yes" : "no"; }
  function meant(text) { return text === "" ? null : text === "yes"; }

  for (const [name, box] of Object.entries(texts)) {
    box.addEventListener("input", () => { clearTimeout(later[name]); later[name] = setTimeout(() => keepText(name), 600); });
    box.addEventListener("blur", () => keepText(name));
  }

  async function keepText(name) {
    clearTimeout(later[name]);
    const text = texts[name].value;
    if (saved[name] === undefined || text === saved[name]) return;
    const was = saved[name];
    if (await change({ do: name, text, was })) saved[name] = text;
  }

  // A window that is closed while something is still on its way sends it on the last moment.
  window.addEventListener("pagehide", () => {
    for (const [name, box] of Object.entries(texts)) {
      if (saved[name] === undefined || box.value === saved[name]) continue;
      fetch(address, { method: "POST", keepalive: true, headers: { "X-Holecount-Token": token, "Content-Type": "application/json" },
        body: JSON.stringify({ do: name, text: box.value, was: saved[name] }) });
    }
  });

  let quarrel = null;

  async function disagree(what) {
    try {
      const answer = await ask("");
      quarrel = { name: what.do, mine: what.text, theirs: answer[what.do] };
      $("theirs").textContent = quarrel.theirs || "(nothing)";
      $("conflict").hidden = false;
      $("keep-mine").focus();
    } catch (e) { complain(e); }
  }

  $("keep-mine").addEventListener("click", async () => {
    const q = quarrel;
    $("conflict").hidden = true;
    saved[q.name] = q.theirs;
    texts[q.name].focus();
    await keepText(q.name);
  });
  $("take-theirs").addEventListener("click", () => {
    const q = quarrel;
    $("conflict").hidden = true;
    texts[q.name].value = saved[q.name] = q.theirs;
    texts[q.name].focus();
    $("message").textContent = "";
    look();
  });

  function setting(id, event, read) {
    $(id).addEventListener(event, async () => {
      const settings = read();
      if (settings && !(await change({ do: "settings", settings })) && state) setFields();
    });
  }

  setting("shape", "change", () => ({ shape: $("shape").value || null }));
  setting("chart", "change", () => ({ chart: $("chart").value }));
  setting("thickness", "change", () => ({ thickness: $("thickness").value }));
  setting("strands", "change", () => {
    const text = $("strands").value.trim();
    if (text && !/^\d+$/.test(text)) { complain("Strands are a whole number."); return null; }
    return { strands: text ? Number(text) : null };
  });
  setting("couched", "change", () => ({ couched: $("couched").checked }));
  setting("object", "change", () => {
    const own = $("object").value === "own";
    $("own-field").hidden = !own;
    if (own) { $("own").focus(); return null; }
    return { cards: $("object").value ? [$("object").value] : [] };
  });
  setting("own", "change", () => ($("own").value.trim() ? { cards: [$("own").value.trim()] } : null));
  setting("ruler", "change", () => ({ ruler: $("ruler").value || null }));
  setting("in-pixels", "change", () => ({ in_pixels: $("in-pixels").checked }));
  setting("job-name", "change", () => ({ name: $("job-name").value }));
  setting("date", "change", () => ({ date: $("date").value }));
  setting("cracks", "change", () => ({ cracks: meant($("cracks").value) }));
  setting("old-finish", "change", () => ({ old_finish: meant($("old-finish").value) }));
  document.querySelectorAll("form").forEach((f) => f.addEventListener("submit", (e) => e.preventDefault()));

  $("old-seat").addEventListener("change", async (e) => {
    const file = e.target.files[0];
    if (!file) return;
    busy += 1;
    shade();
    try { show(await ask("/old-seat", file)); $("message").textContent = ""; } catch (problem) { complain(problem); } finally {
      e.target.value = "";
      busy -= 1;
      shade();
    }
  });

  $("keep").addEventListener("click", async () => {
    $("kept").textContent = "Saving.";
    try { $("kept").textContent = "Saved: " + (await ask("/keep", {})).saved.join(", "); } catch (e) { $("kept").textContent = ""; complain(e); }
  });

  look();
})();
