// What stands beside the map: the filter with its counts, the spread of a number, the list of parcels, and all that is known of one.

const MOST_LISTED = 40;
const BARS = 8;

class Filter {
  constructor(data) {
    this.data = data;
    this.wanted = Object.fromEntries(data.facets.map((facet) => [facet.name, facet.kinds.map(() => true)]));
    this.shown = new Uint8Array(data.count);
    this.apply();
  }

  // Which parcels are shown, how many, and how many of each kind there would be by the other filters.
  apply() {
    const { data, wanted } = this;
    this.total = 0;
    this.counts = Object.fromEntries(data.facets.map((facet) => [facet.name, facet.kinds.map(() => 0)]));
    const facets = data.facets.map((facet) => [data.classes[facet.name], wanted[facet.name], this.counts[facet.name]]);
    for (let parcel = 0; parcel < data.count; parcel++) {
      let refused = 0, by = -1;
      for (let n = 0; n < facets.length; n++) {
        if (!facets[n][1][facets[n][0][parcel]]) {
          refused++;
          by = n;
        }
      }
      this.shown[parcel] = refused === 0 ? 1 : 0;
      this.total += this.shown[parcel];
      for (let n = 0; n < facets.length; n++) if (refused === 0 || (refused === 1 && by === n)) facets[n][2][facets[n][0][parcel]]++;
    }
  }
}

function drawFacets(data, filter, withPatterns, changed) {
  const rows = data.facets.map((facet) => {
    const ticks = facet.kinds.map((kind, n) => {
      const input = element("input", { type: "checkbox" });
      input.checked = filter.wanted[facet.name][n];
      input.addEventListener("change", () => {
        filter.wanted[facet.name][n] = input.checked;
        changed();
      });
      const count = element("span", { className: "count", text: number(filter.counts[facet.name][n]) });
      const name = element("span", { className: "name", text: kind.name });
      return { input, count, label: element("label", { className: "tick", children: [input, swatch(kind, withPatterns), name, count] }) };
    });
    return { facet, ticks, box: element("fieldset", { children: [element("legend", { text: facet.title }), ...ticks.map((tick) => tick.label)] }) };
  });
  byId("facets").replaceChildren(...rows.map((row) => row.box));
  return () => {
    for (const { facet, ticks } of rows) {
      ticks.forEach((tick, n) => {
        tick.count.textContent = number(filter.counts[facet.name][n]);
        tick.input.checked = filter.wanted[facet.name][n];
      });
    }
  };
}

// Limits of the bars: even steps of 1, 2 or 5 up to where 4 of 5 parcels lie; the last bar has no upper limit.
function stepOf(data, name) {
  const known = data.numbers[name].filter((value) => !Number.isNaN(value)).sort();
  const high = known.length ? known[Math.floor(0.8 * (known.length - 1))] : 0;
  const rough = Math.max(high, 1) / (BARS - 1);
  const ten = 10 ** Math.floor(Math.log10(rough));
  return ten * [1, 2, 5, 10].find((times) => times * ten >= rough);
}

function drawSpread(data, filter, figure) {
  const step = stepOf(data, figure.name);
  const all = new Array(BARS + 1).fill(0), shown = new Array(BARS + 1).fill(0);
  const values = data.numbers[figure.name];
  for (let parcel = 0; parcel < data.count; parcel++) {
    const bar = Number.isNaN(values[parcel]) ? BARS : Math.max(0, Math.min(BARS - 1, Math.floor(values[parcel] / step)));
    all[bar]++;
    shown[bar] += filter.shown[parcel];
  }
  const most = Math.max(1, ...all);
  const of = (n) => number(n * step);
  const rows = all.map((count, n) => {
    const text = n === BARS ? (figure.drawn ? "none drawn, or not known" : "not known") : n === BARS - 1 ? `${of(n)} and more` : `${of(n)} to ${of(n + 1)}`;
    const bars = [count, shown[n]].map((part) => {
      const bar = element("i");
      bar.style.width = `${(100 * part) / most}%`;
      return bar;
    });
    const bar = element("div", { className: "bar", "aria-hidden": "true", children: bars });
    return element("tr", {
      children: [element("th", { scope: "row", text }), element("td", { children: [bar] }), element("td", { className: "count", text: number(shown[n]) })],
    });
  });
  const unit = figure.unit ? `, in ${figure.unit}` : "";
  byId("bars-caption").textContent = `${figure.words}${unit}: shown parcels (dark) of all (pale)`;
  byId("bars").tBodies[0].replaceChildren(...rows);
}

// Parcels whose number holds the text: an equal one first, then those that begin with it.
function searched(data, lowered, text) {
  const wanted = text.trim().toLowerCase();
  const equal = [], begins = [], holds = [];
  for (let parcel = 0; parcel < data.count; parcel++) {
    const at = lowered[parcel].indexOf(wanted);
    if (at >= 0) (lowered[parcel] === wanted ? equal : at === 0 ? begins : holds).push(parcel);
  }
  return [...equal, ...begins, ...holds];
}

// The shown parcels, those that come first by the ranking before the others.
function listed(data, filter) {
  const found = [];
  for (let parcel = 0; parcel < data.count; parcel++) if (filter.shown[parcel]) found.push(parcel);
  const rank = data.numbers["rank rank"];
  const place = (parcel) => (Number.isNaN(rank[parcel]) ? Infinity : rank[parcel]);
  return rank ? found.sort((one, other) => (place(one) === place(other) ? one - other : place(one) - place(other))) : found;
}

function drawList(box, data, found, pick) {
  const facet = data.facets[0], classes = data.classes[facet.name];
  const rows = found.slice(0, MOST_LISTED).map((parcel) => {
    const kind = facet.kinds[classes[parcel]];
    const button = element("button", { type: "button", children: [swatch(kind, false), named(data.ids[parcel]), element("span", { className: "small", text: kind.name })] });
    button.addEventListener("click", () => pick(parcel));
    return element("li", { children: [button] });
  });
  box.replaceChildren(...rows);
}

function counted(found, words) {
  return `${number(found.length)} ${found.length === 1 ? "parcel" : "parcels"} ${words}${found.length > MOST_LISTED ? `; the first ${MOST_LISTED} are listed` : ""}`;
}

function drawParcel(data, parcel, others, withPatterns, pick) {
  const facet = data.facets[0], kind = facet.kinds[data.classes[facet.name][parcel]];
  byId("parcel-title").replaceChildren("Parcel ", named(data.ids[parcel]));
  const body = [
    element("p", { className: "verdict", children: [swatch(kind, withPatterns), element("span", { text: kind.name })] }),
    element("p", { className: "meaning", text: kind.meaning }),
  ];
  const part = (title, content) => body.push(element("h3", { text: title }), content);
  if (facet.name === "sure") sureness(data, parcel, withPatterns, body, part);
  const parts = (title, name) => {
    const found = partsOf(data, name, parcel);
    if (found.length) part(title, list(found));
  };
  parts("Why: what binds, or what is missing", "reasons");
  parts("There would be room if the authority relaxed the setbacks from any one of", "fits_without");
  parts("Assumed: nobody has stated or measured it", "assumptions");
  parts("To note", "notes");
  const drawn = data.figures.some((figure) => figure.drawn && !Number.isNaN(data.numbers[figure.name][parcel]));
  const figures = data.figures.filter((figure) => drawn || !figure.drawn);
  const pairs = figures.map((figure) => [figure.words, quantity(data.numbers[figure.name][parcel], figure.unit)]);
  for (const [name, words] of Object.entries(data.texts_shown)) {
    const found = partsOf(data, name, parcel);
    if (found.length) pairs.push([words, found.join("; ")]);
  }
  part("In numbers", describe(pairs));
  if (!drawn) body.push(element("p", { className: "small", text: "No layout was drawn on this lot." }));
  const ranked = facetOf(data, "priority");
  if (ranked) {
    const place = ranked.kinds[data.classes[ranked.name][parcel]];
    const told = [["Priority", place.name]];
    for (const figure of data.rank_figures) told.push([figure.words, quantity(data.numbers[figure.name][parcel], figure.unit)]);
    for (const [name, words] of Object.entries(data.rank_texts)) {
      const found = partsOf(data, name, parcel);
      if (found.length) told.push([words, found.join("; ")]);
    }
    part("When to go there", describe(told));
  }
  const links = partsOf(data, "sheets", parcel).map((href) => element("a", { href, text: href.endsWith(".pdf") ? "Plan of this parcel to print (PDF)" : "Page of this parcel" }));
  if (links.length) body.splice(2, 0, element("p", { className: "row", children: links }));
  if (others.length) {
    const buttons = others.map((other) => {
      const button = element("button", { type: "button", children: [named(data.ids[other])] });
      button.addEventListener("click", () => pick(other, others.filter((one) => one !== other).concat(parcel)));
      return button;
    });
    part("On the same ground", element("p", { className: "row", children: buttons }));
  }
  byId("parcel-body").replaceChildren(...body);
  byId("parcel").hidden = false;
}

const facetOf = (data, name) => data.facets.find((facet) => facet.name === name);

// How sure it is: what it hangs on and what to find first, then the chances, then the verdict that holds if everything lies as it is drawn.
function sureness(data, parcel, withPatterns, body, part) {
  for (const text of partsOf(data, "sure why", parcel)) body.push(element("p", { className: "meaning", text }));
  const first = partsOf(data, "sure first", parcel);
  if (first.length) part("Find first", list(first));
  const [both, low, high, primary] = ["both", "both_low", "both_high", "primary"].map((name) => data.numbers[`sure ${name}`][parcel]);
  if (!Number.isNaN(both)) {
    const draws = high > low ? ` (${number(low)} to ${number(high)} by the draws, 95 percent interval)` : "";
    const alone = Number.isNaN(primary) ? "" : `; the field alone in ${of100(primary)}`;
    body.push(element("p", { className: "small", text: `Field and reserve have room in ${of100(both)} of 100 cases${draws}${alone}.` }));
  }
  const facet = facetOf(data, "verdict"), kind = facet.kinds[data.classes.verdict[parcel]];
  part("If everything lies as it is drawn", element("p", { className: "drawn", children: [swatch(kind, withPatterns), element("span", { text: kind.name })] }));
}

// 0 and 100 are said of nothing less.
const of100 = (percent) => (percent > 0 && percent < 1 ? "fewer than 1" : percent > 99 && percent < 100 ? "more than 99" : number(Math.round(percent)));

// What to survey first, with the parcels that it would settle.
function drawVisits(data, pick) {
  const places = new Map(data.ids.map((id, parcel) => [id, parcel]));
  const rows = data.visits.slice(0, MOST_LISTED).map((visit) => {
    const buttons = visit.parcels.filter((id) => places.has(id)).map((id) => {
      const button = element("button", { type: "button", children: [named(id)] });
      button.addEventListener("click", () => pick(places.get(id)));
      return button;
    });
    return element("li", { children: [element("span", { text: visit.words }), element("p", { className: "row", children: buttons })] });
  });
  byId("visits").replaceChildren(...rows);
  byId("visits-count").textContent = data.visits.length > MOST_LISTED ? `The first ${MOST_LISTED} of ${number(data.visits.length)}` : "";
}

function drawRun(data) {
  const { run } = data;
  const pairs = [["Screened on", run.date], ["Rule set", run.rules], ["Edition", run.edition], ["Made with", run.made_with]];
  if (run.failures) pairs.push(["Could not be proven", `${number(run.failures)} parcels or layouts; run.json lists them`]);
  byId("run-facts").replaceChildren(...describe(pairs).childNodes);
  byId("summary").textContent = run.summary;
  byId("warnings").querySelector("summary").textContent = `${number(run.warnings.length)} warnings of that run`;
  byId("warnings").querySelector("ul").replaceWith(list(run.warnings));
}
