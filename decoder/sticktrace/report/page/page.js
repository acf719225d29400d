"use strict";
// The table of commands: only the rows that are seen are drawn. All text goes in as text, never as markup.
(() => {
  const teaching = document.documentElement.className === "teaching";
  const data = JSON.parse(document.getElementById("data").textContent);
  if (teaching) {
    for (const box of document.querySelectorAll("#answer p:not(.quiet), .finding dd, .ladder td")) hide(box);
  }
  function hide(element) {
    element.classList.add("hidden-answer");
    element.tabIndex = 0;
    element.title = "click to show";
    const open = () => element.classList.add("open");
    element.addEventListener("click", open);
    element.addEventListener("keydown", (event) => { if (event.key === "Enter") open(); });
  }
  if (!data.rows) return;

  const at = Object.fromEntries(data.fields.map((name, index) => [name, index]));
  const pooled = new Set(data.pooled);
  const value = (row, name) => (pooled.has(name) ? data.pools[name][row[at[name]]] : row[at[name]]);
  const time = (us) => (us === null ? "" : us < 1000 ? `${us} µs` : us < 1e6 ? `${(us / 1e3).toFixed(2)} ms` : `${(us / 1e6).toFixed(3)} s`);
  const words = (row) => {
    const lba = value(row, "lba"), blocks = value(row, "blocks");
    if (lba === null) return value(row, "what");
    return `${value(row, "command")} LBA ${lba}, ${blocks} ${blocks === 1 ? "block" : "blocks"}`;
  };
  const bytes = (row) => {
    const moved = value(row, "moved"), asked = value(row, "asked");
    if (value(row, "direction") === "none") return "-";
    if (moved === null) return "not told";
    return moved === asked ? `${moved}` : `${moved}/${asked === null ? "?" : asked}`;
  };
  const COLUMNS = [
    ["#", (row) => `${value(row, "number")}`, "number"], ["time s", (row) => (value(row, "time_us") / 1e6).toFixed(6), "time_us"],
    ["where", (row) => value(row, "where"), "where"], ["command", words, "command"], ["moved/asked", bytes, "moved"],
    ["outcome", (row) => value(row, "outcome"), "outcome"], ["took", (row) => time(value(row, "took_us")), "took_us"],
    ["touches, sense, remarks", (row) => [value(row, "touches"), value(row, "sense"), value(row, "remark")].filter(Boolean).join("; "), "sense"],
  ];

  // Selection words, with the meaning that they have in `sticktrace exchanges`.
  const plain = (text) => text.toLowerCase().replace(/[^a-z0-9*]/g, "");
  const UNITS = { ns: 1e-3, us: 1, "µs": 1, ms: 1e3, s: 1e6 };
  const number = (text) => {
    const digits = /^[0-9a-f]+h$/i.test(text) ? Number(`0x${text.slice(0, -1)}`) : Number(text.replace(/_/g, ""));
    if (text === "" || Number.isNaN(digits)) throw new Error(`${text} is not a number`);
    return digits;
  };
  const between = (get) => (text) => {
    const [low, high] = text.includes("..") ? text.split("..") : [text, text];
    const first = low === "" ? -Infinity : number(low), last = high === "" ? Infinity : number(high);
    return (row) => { const found = get(row); return found !== null && found >= first && found <= last; };
  };
  const limit = (slower) => (text) => {
    const match = /^([0-9.]+)(ns|us|µs|ms|s)$/.exec(text);
    if (!match) throw new Error(`${text} is not a duration (write 5ms)`);
    const us = Number(match[1]) * UNITS[match[2]];
    return (row) => { const took = value(row, "took_us"); return took !== null && (slower ? took > us : took < us); };
  };
  const OUTCOMES = { passed: "passed", failed: "failed", "phase error": "phase error", "no status": "no status", missing: "no status", "bad status": "bad status", invalid: "bad status", "not printed": "not printed" };
  const KEYS = {
    command: (text) => {
      const wanted = plain(text);
      const fits = (name) => (wanted.endsWith("*") ? plain(name).startsWith(wanted.slice(0, -1)) : [plain(name), plain(name.replace(/\(\d+\)/, ""))].includes(wanted));
      return (row) => fits(value(row, "command"));
    },
    status: (text) => {
      if (text === "bad") return (row) => value(row, "outcome") !== "passed";
      const wanted = OUTCOMES[text.toLowerCase()];
      if (!wanted) throw new Error(`status:${text}: write one of ${Object.keys(OUTCOMES).join(", ")}, bad`);
      return (row) => value(row, "outcome").toLowerCase() === wanted;
    },
    lba: (text) => {
      const [low, high] = text.includes("..") ? text.split("..") : [text, text];
      const first = low === "" ? 0 : number(low), last = high === "" ? Infinity : number(high);
      return (row) => { const lba = value(row, "lba"); return lba !== null && lba <= last && lba + Math.max(1, value(row, "blocks") || 0) > first; };
    },
    lun: between((row) => Number((/\/(\d+)$/.exec(value(row, "where")) || [0, "0"])[1])),
    number: between((row) => value(row, "number")),
    device: (text) => (row) => value(row, "where").split("/")[0] === text,
    slower: limit(true), faster: limit(false),
    moved: between((row) => value(row, "moved")), asked: between((row) => value(row, "asked")),
    sense: (text) => { const wanted = text.replace(/h/gi, "").split("/").map((part, n) => part.toUpperCase().padStart(n ? 2 : 1, "0")); return (row) => { const found = value(row, "sense").split(" ")[0].split("/"); return wanted.every((part, n) => part === found[n]); }; },
    time: (text) => { const [low, high] = text.includes("..") ? text.split("..") : [text, text]; const first = low === "" ? -Infinity : Number(low), last = high === "" ? Infinity : Number(high); return (row) => { const s = value(row, "time_us") / 1e6; return s >= first && s <= last; }; },
    touches: (text) => (row) => value(row, "touches").toLowerCase().includes(text.toLowerCase()),
    direction: (text) => (row) => value(row, "direction") === text.toLowerCase(),
  };
  function selection(text) {
    const tests = [];
    for (const word of text.match(/(?:[^\s"]|"[^"]*"?)+/g) || []) {
      const turned = word.startsWith("-");
      const [key, ...rest] = word.replace(/"/g, "").replace(/^-/, "").split(":");
      const maker = KEYS[key.toLowerCase()];
      if (!maker || !rest.join(":")) throw new Error(`${word} is no selection word; known are ${Object.keys(KEYS).map((k) => `${k}:`).join(", ")}`);
      const any = rest.join(":").split(",").map((one) => maker(one.trim()));
      tests.push((row) => any.some((test) => test(row)) !== turned);
    }
    return (row) => tests.every((test) => test(row));
  }

  const HEIGHT = 22, MOST = 5e5;
  const box = document.getElementById("rows"), space = document.getElementById("space"), grid = document.getElementById("table");
  const head = document.getElementById("head"), detail = document.getElementById("detail");
  let shown = data.rows.map((row) => [row, 1]), now = -1, sorted = ["number", 1];

  COLUMNS.forEach(([title, , key]) => {
    const cell = document.createElement("span"), button = document.createElement("button");
    cell.setAttribute("role", "columnheader");
    button.type = "button";
    button.textContent = title;
    button.addEventListener("click", () => { sorted = [key, sorted[0] === key ? -sorted[1] : 1]; refresh(); });
    cell.append(button);
    head.append(cell);
  });

  function refresh() {
    const error = document.getElementById("choose-error"), text = document.getElementById("choose").value;
    let test;
    try { test = selection(text); error.textContent = ""; } catch (problem) { error.textContent = problem.message; return; }
    const rows = data.rows.filter(test), [key, way] = sorted;
    if (key !== "number" || way < 0) {
      rows.sort((one, other) => { const a = value(one, key), b = value(other, key); return (a === b ? one[0] - other[0] : a === null ? 1 : b === null ? -1 : a < b ? -1 : 1) * way; });
    }
    shown = [];
    const folds = document.getElementById("fold").checked;
    for (const row of rows) {
      const last = shown[shown.length - 1];
      if (folds && last && value(last[0], "command") === value(row, "command") && value(last[0], "outcome") === value(row, "outcome") && value(last[0], "where") === value(row, "where")) last[1] += 1;
      else shown.push([row, 1]);
    }
    document.getElementById("count").textContent = `${rows.length} of ${data.rows.length} commands`;
    document.getElementById("back").hidden = !text;
    now = -1;
    box.scrollTop = 0;
    draw();
  }

  function draw() {
    box.style.height = shown.length < 22 ? `${shown.length * HEIGHT + 6}px` : "";
    const scale = Math.min(1, (MOST * HEIGHT) / Math.max(1, shown.length * HEIGHT));
    space.style.height = `${shown.length * HEIGHT * scale}px`;
    const first = Math.max(0, Math.floor(box.scrollTop / HEIGHT / scale) - 4), last = Math.min(shown.length, first + Math.ceil(box.clientHeight / HEIGHT) + 9);
    const rows = [];
    for (let index = first; index < last; index += 1) rows.push(line(index, box.scrollTop + (index - box.scrollTop / HEIGHT / scale) * HEIGHT));
    box.replaceChildren(space, ...rows);
  }

  function line(index, top) {
    const [row, times] = shown[index], made = document.createElement("div"), outcome = value(row, "outcome");
    made.className = `row${index === now ? " now" : ""}`;
    made.style.top = `${top}px`;
    made.setAttribute("role", "row");
    made.setAttribute("aria-rowindex", `${index + 1}`);
    COLUMNS.forEach(([, text, key], column) => {
      const cell = document.createElement("span");
      cell.setAttribute("role", "gridcell");
      cell.textContent = text(row) + (column === 3 && times > 1 ? `  and ${times - 1} more` : "");
      cell.title = cell.textContent;
      if (key === "number") cell.className = "number";
      if (key === "outcome") cell.className = outcome === "passed" ? "good" : outcome === "no status" ? "warn" : "bad";
      if (teaching && (key === "outcome" || key === "sense")) hide(cell);
      made.append(cell);
    });
    made.addEventListener("click", (event) => { if (!event.target.classList.contains("hidden-answer")) open(index); });
    return made;
  }

  function open(index) {
    now = index;
    const [row] = shown[index], found = value(row, "number"), ruler = document.getElementById(`ruler-${found}`);
    const title = document.createElement("h3");
    title.id = `exchange-${found}`;
    title.textContent = `Exchange ${found}: ${words(row)}`;
    const list = document.createElement("dl");
    for (const [name, , key] of COLUMNS.slice(1)) {
      const term = document.createElement("dt"), text = document.createElement("dd");
      term.textContent = name;
      text.textContent = COLUMNS.find((column) => column[2] === key)[1](row);
      if (teaching && (key === "outcome" || key === "sense")) hide(text);
      list.append(term, text);
    }
    detail.replaceChildren(title, list);
    if (ruler) {
      const figure = document.createElement("figure");
      figure.append(ruler.content.cloneNode(true));
      detail.append(figure);
    } else {
      const hint = document.createElement("p");
      hint.className = "quiet";
      hint.textContent = `sticktrace explain CAPTURE ${found} draws its bytes.`;
      detail.append(hint);
    }
    draw();
  }

  function find(number) {
    let index = shown.findIndex(([row]) => value(row, "number") === number);
    if (index < 0) {
      document.getElementById("choose").value = "";
      document.getElementById("fold").checked = false;
      sorted = ["number", 1];
      refresh();
      index = shown.findIndex(([row]) => value(row, "number") === number);
    }
    if (index < 0) return;
    box.scrollTop = Math.max(0, index * HEIGHT - box.clientHeight / 2);
    open(index);
    grid.scrollIntoView({ block: "nearest" });
    detail.scrollIntoView({ block: "nearest" });
  }

  box.addEventListener("scroll", draw, { passive: true });
  window.addEventListener("resize", draw);
  document.getElementById("choose").addEventListener("input", refresh);
  document.getElementById("fold").addEventListener("change", refresh);
  document.getElementById("back").addEventListener("click", () => { document.getElementById("choose").value = ""; refresh(); });
  grid.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1, PageDown: 20, PageUp: -20 }[event.key];
    if (event.key === "Enter" && now >= 0) { open(now); event.preventDefault(); }
    if (!step || event.target.tagName === "BUTTON") return;
    event.preventDefault();
    now = Math.min(shown.length - 1, Math.max(0, now + step));
    if (now * HEIGHT < box.scrollTop || (now + 2) * HEIGHT > box.scrollTop + box.clientHeight) box.scrollTop = Math.max(0, now * HEIGHT - box.clientHeight / 2);
    draw();
  });
  for (const link of document.querySelectorAll("a.evidence")) {
    link.addEventListener("click", (event) => { event.preventDefault(); find(Number(link.dataset.exchange)); });
  }
  refresh();
  course();

  // Bytes over time, read above the line and written below it.
  function course() {
    const drawing = document.getElementById("course"), SLOTS = 240, NS = "http://www.w3.org/2000/svg";
    const last = data.rows.reduce((most, row) => Math.max(most, value(row, "time_us")), 1);
    const read = new Array(SLOTS).fill(0), written = new Array(SLOTS).fill(0);
    for (const row of data.rows) {
      if (value(row, "lba") === null || !value(row, "moved")) continue;
      const slot = Math.min(SLOTS - 1, Math.floor((value(row, "time_us") / last) * SLOTS));
      (value(row, "direction") === "out" ? written : read)[slot] += value(row, "moved");
    }
    const most = Math.max(1, ...read, ...written);
    const bar = (kind, slot, size, up) => {
      const one = document.createElementNS(NS, "rect"), height = (size / most) * 54;
      one.setAttribute("class", kind);
      one.setAttribute("x", `${slot * 4}`);
      one.setAttribute("width", "3");
      one.setAttribute("y", `${up ? 60 - height : 64}`);
      one.setAttribute("height", `${height}`);
      drawing.append(one);
    };
    read.forEach((size, slot) => size && bar("read", slot, size, true));
    written.forEach((size, slot) => size && bar("written", slot, size, false));
    const label = (text, x, y) => { const one = document.createElementNS(NS, "text"); one.setAttribute("x", x); one.setAttribute("y", y); one.textContent = text; drawing.append(one); };
    label(`read above, written below; one column is ${time(Math.round(last / SLOTS))}, the tallest ${most} bytes`, "0", "136");
  }
})();
