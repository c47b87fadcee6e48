// A set definition put together: picks, the rule as text, and what it does, side by side.
import { ask, get, send } from "../kept/api.js";
import { dropDraft, keepDraft, keptDraft, storeDraft, watchStored } from "../kept/drafts.js";
import { newId } from "../kept/edits.js";
import { say, spoken } from "../kept/words.js";
import { useActing } from "../parts/acting.js";
import { loadAttributes, useLoaded } from "../parts/data.js";
import { DraftEffect, findingKey } from "../parts/draft-effect.js";
import { PartEditor, PlaceList, SetEditor } from "../parts/draft-places.js";
import { DraftStarts } from "../parts/draft-starts.js";
import { html, useEffect, useMemo, useRef, useState } from "../parts/html.js";
import { go } from "../parts/navigation.js";
import { RuleText } from "../parts/rule-text.js";
import { Tabs, useNarrow } from "../parts/tabs.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { withDeclared } from "../sheet/carried.js";
import { blank, entryOf, isFreeChoice, pageOf, pointerOf, valueAt, withValueAt } from "../sheet/draft.js";
import { formOf, isExact, treeOf } from "../sheet/rule-form.js";
import { keyOf, readingsOf, withTexts } from "../sheet/rule-readings.js";

const PAUSE = 400;
const COLUMNS = ["pick", "rule", "does"];
const NARROW = "(max-width: 64rem)";
const SCOPE = "/scope";
// The service has another one than the one that was read.
const OVERTAKEN = 412;

/** What is worked on: what this browser kept unsaved, else the definition as it is stored, else a new one. */
async function load(id) {
  const before = await keptDraft(id);
  if (id === null) return before ?? { document: blank(say("build.new_set"), spoken()), etag: null, unsaved: false };
  const stored = await get(`/v1/definitions/${id}`);
  if (before !== null) return before;
  return { document: stored.data.document, etag: stored.etag, unsaved: false };
}

/** @param {{set: string | null}} of null: a new one */
export function Build({ set }) {
  const { value, error, again } = useLoaded(() => load(set), [set]);
  const { value: known, error: other } = useLoaded(() => loadAttributes(), []);
  if (value === null || known === null) {
    return html`<${Title} text=${say("build.title")} /><${Trouble} error=${error ?? other} again=${again} />
      ${error === null && other === null && html`<p role="status">${say("app.loading")}</p>`}`;
  }
  return html`<${Builder} set=${set} first=${value} known=${known} />`;
}

/** The preview of the newest document that was asked for; an older answer that comes later is not taken. */
function usePreview(document, settled, taken) {
  const [found, set] = useState({ preview: null, error: null });
  const turn = useRef(0);
  useEffect(() => {
    if (settled.current === document) return undefined;
    turn.current += 1;
    const mine = turn.current;
    const timer = setTimeout(async () => {
      try {
        const preview = await send("POST", "/v1/definition-previews", { definition: document, holdings: "mine" });
        if (mine !== turn.current) return;
        set({ preview, error: null });
        taken(document, preview);
      } catch (error) {
        if (mine === turn.current) set((before) => ({ ...before, error }));
      }
    }, settled.current === undefined ? 0 : PAUSE);
    return () => clearTimeout(timer);
  }, [document]);
  return found;
}

function Builder({ set, first, known }) {
  const [id, setId] = useState(set);
  // What comes later goes on from there: an answer to what was asked before it was stored.
  const keptAs = useRef(set);
  const [draft, setDraft] = useState(first);
  const [chosen, setChosen] = useState(null);
  // What publishing was told of a draft says nothing of the one that is read afterwards.
  const [discarded, setDiscarded] = useState(0);
  const [focus, setFocus] = useState(/** @type {string | null} */ (null));
  const choose = (part) => {
    setChosen(part);
    setFocus(null);
  };
  const [tab, setTab] = useState("pick");
  const [led, setLed] = useState(0);
  const [readings, setReadings] = useState(new Map());
  const [acknowledged, setAcknowledged] = useState(new Set());
  const settled = useRef(undefined);
  const { document } = draft;
  const attributes = useMemo(() => withDeclared([...known.values()], [document]), [known, document.attributes, document.vocabularies]);
  const { preview, error } = usePreview(document, settled, (sent, told) => {
    setReadings((before) => readingsOf(sent, told.rules, before));
    setDraft((now) => {
      const written = withTexts(now.document, sent, told.rules);
      // Nothing but texts of the service: it knows them already.
      if (now.document === sent) settled.current = written;
      const next = written === now.document ? now : { ...now, document: written };
      if (next.unsaved) keepDraft(keptAs.current, next);
      return next;
    });
  });
  const change = (next, show) => {
    setDraft((now) => {
      const made = { ...now, document: typeof next === "function" ? next(now.document) : next, unsaved: true, changes: (now.changes ?? 0) + 1 };
      keepDraft(keptAs.current, made);
      return made;
    });
    if (show === undefined) return;
    choose(show);
    setLed((before) => before + 1);
  };
  const entry = chosen === null ? null : entryOf(document, chosen);
  // The rule whose text is shown: that of the entry that is being changed, else of the place, else of the set.
  const isOfEntry = focus !== null && valueAt(document, `${focus}/where`) !== undefined;
  const pointer = isOfEntry ? `${focus}/where` : entry === null ? SCOPE : pointerOf(entry);
  const ruleAt = (at) => valueAt(document, at) ?? true;
  const rule = ruleAt(pointer);
  const reading = readings.get(keyOf(rule));
  const put = (at, value) => {
    const { scope, ...rest } = document;
    change(at === SCOPE && (value === true || value === "") ? rest : withValueAt(document, at, value));
  };
  // Until the service has written what was picked, the text before.
  const shown = useRef(new Map());
  const textAt = (at) => {
    const one = ruleAt(at);
    const text = typeof one === "string" ? one : (readings.get(keyOf(one))?.text ?? (one === true ? "TRUE" : (shown.current.get(at) ?? "")));
    shown.current.set(at, text);
    return text;
  };
  const formAt = (at) => {
    const one = ruleAt(at);
    const tree = typeof one === "string" ? readings.get(keyOf(one))?.json : one;
    return tree === undefined || tree === null || (typeof one === "string" && !isExact(one)) ? null : formOf(tree);
  };
  const work = { document, attributes, findings: preview?.findings ?? [], change, focus, setFocus, formAt, textAt, putForm: (at, next) => put(at, treeOf(next)) };
  const acknowledge = (key) => setAcknowledged(new Set(acknowledged.has(key) ? [...acknowledged].filter((one) => one !== key) : [...acknowledged, key]));
  const goTo = (part, at = null) => {
    setChosen(part);
    setFocus(at);
    setTab("pick");
    setLed((before) => before + 1);
  };
  // Once what was chosen is there.
  useEffect(() => {
    if (led === 0) return;
    const opened = focus === null ? null : /** @type {HTMLElement | null} */ (window.document.querySelector(".draft-items [aria-expanded='true']"));
    (opened ?? window.document.getElementById(chosen === null ? "set-title" : "part-label"))?.focus();
  }, [led]);
  // It may be stored from elsewhere on the page: before signing out.
  useEffect(() => watchStored((before, stored) => {
    if (before !== id) return;
    keptAs.current = stored.id;
    setId(stored.id);
    setDraft((now) => ({ ...now, etag: stored.etag, unsaved: now.changes !== stored.changes }));
  }), [id]);
  const narrow = useNarrow(NARROW);
  const page = entry === null ? null : pageOf(document, entry.part.id);
  const counts = new Map();
  for (const { place, group, fit } of preview?.places ?? []) {
    // The places of a free choice take the same coins.
    const before = isFreeChoice(document, group) ? 0 : (counts.get(group ?? place) ?? 0);
    counts.set(group ?? place, before + fit.coins);
  }
  const starts = html`<${DraftStarts} id="start" document=${document} attributes=${attributes} change=${change} page=${page} />`;
  const places = html`<${PlaceList} document=${document} chosen=${entry?.part.id ?? null} choose=${choose} counts=${counts} />`;
  const columns = {
    pick: entry === null
      ? html`${places}${starts}<${SetEditor} work=${work} />`
      : html`${places}<${PartEditor} key=${entry.part.id} work=${work} entry=${entry} change=${change} />${starts}`,
    rule: html`<${RuleText} key=${pointer} id="rule-text" label=${isOfEntry ? say("build.rule_of_entry") : entry === null ? say("build.scope") : say("build.rule_of", { what: entry.part.label || entry.part.id })} text=${textAt(pointer)}
        faults=${reading?.faults ?? []} waiting=${reading === undefined && typeof rule !== "string"} change=${(text) => put(pointer, text)} />
      <p class="hint">${say("build.rule_hint")}</p>`,
    does: html`<${DraftEffect} document=${document} preview=${preview} entry=${entry} attributes=${attributes} goTo=${goTo} acknowledged=${acknowledged} acknowledge=${acknowledge} change=${change} />
      <${Publish} key=${discarded} id=${id} draft=${draft} preview=${preview} acknowledged=${acknowledged} fresh=${settled.current === document} />`,
  };
  const discard = async () => {
    await dropDraft(id);
    setDiscarded((before) => before + 1);
    const found = await load(id);
    settled.current = undefined;
    setDraft((before) => ({ ...found, changes: (before.changes ?? 0) + 1 }));
    choose(null);
  };
  return html`
    <${Title} text=${document.title || say("build.title")} />
    <p class="draft-state" role="status">${draft.unsaved ? say("build.unsaved") : say(id === null ? "build.nothing_yet" : "build.as_saved")}
      ${draft.unsaved && html` <button type="button" class="plain" onClick=${discard}>${say("build.discard")}</button>`}</p>
    <${Trouble} error=${error} />
    ${narrow && html`<${Tabs} tabs=${COLUMNS.map((key) => ({ key, label: say(`build.column_${key}`) }))} chosen=${tab} choose=${setTab} label=${say("build.columns")} />`}
    <div class="builder">
      ${COLUMNS.filter((key) => !narrow || key === tab).map((key) => html`<section key=${key} id=${key} class="column column-${key}" ...${narrow ? { role: "tabpanel", "aria-labelledby": `tab-${key}` } : { "aria-labelledby": `${key}-title` }}>
        <h2 id="${key}-title" class=${narrow ? "unseen" : ""}>${say(`build.column_${key}`)}</h2>
        ${columns[key]}
      </section>`)}
    </div>`;
}

/** What publishing changes: sentences, and my set before and after; null where nothing was published yet. */
async function reviewOf(id) {
  const path = `/v1/definitions/${id}`;
  const { data: revisions } = await get(`${path}/revisions?limit=200`);
  const last = revisions.items[revisions.items.length - 1];
  if (last === undefined) return null;
  const [changes, before, after, impact] = await Promise.all([
    get(`${path}/changes?from=${last.revision}`),
    get(`${path}/evaluation?revision=${last.revision}`),
    get(`${path}/evaluation?revision=${last.revision + 1}`),
    get(`${path}/impact`),
  ]);
  const { data } = impact;
  return {
    changes: changes.data.changes.map(({ words }) => words),
    before: before.data.summary,
    after: after.data.summary,
    // Of a set that follows its draft this says nothing.
    impact: data.from.revision === data.to.revision ? [] : data.messages.map(({ message }) => message),
  };
}

/** `fresh`: the preview is of the document as it is now; what nobody has seen is not acknowledged. */
function Publish({ id, draft, preview, acknowledged, fresh }) {
  const { busy, error, attempt } = useActing();
  const [looked, setLooked] = useState(null);
  // What was looked at is what was there then.
  const review = looked !== null && looked.changes === draft.changes ? looked.review : undefined;
  const errors = preview?.counts.error ?? 1;
  const warnings = (preview?.findings ?? []).filter(({ severity }) => severity === "warning");
  const open = warnings.filter((finding) => !acknowledged.has(findingKey(finding)));
  const doing = (what) => () => attempt(what);
  const store = async (etag) => {
    const made = await storeDraft(id, { ...draft, etag });
    // The address of what is worked on, without beginning anew; somebody may have gone elsewhere meanwhile.
    if (id === null && location.pathname === "/app/build/new") history.replaceState(null, "", `/app/build/${made.id}`);
    return made;
  };
  const save = () => store(draft.etag);
  const saveOver = async () => store((await get(`/v1/definitions/${id}`)).etag);
  const look = async () => {
    const { changes } = draft;
    setLooked({ changes, review: await reviewOf((draft.unsaved || id === null ? await save() : { id }).id) });
  };
  const publish = async () => {
    const made = draft.unsaved || id === null ? await save() : { id, etag: draft.etag };
    const headers = { "If-Match": made.etag, "Idempotency-Key": newId() };
    await ask("POST", `/v1/definitions/${made.id}/revisions${warnings.length > 0 ? "?acknowledged=true" : ""}`, { headers });
    go(`/app/sets/${made.id}`);
  };
  const readable = preview !== null && preview.definition.digest !== null;
  return html`<section class="panel publish" aria-labelledby="publish-title" aria-busy=${busy}>
    <h3 id="publish-title">${say("build.publish_title")}</h3>
    ${error?.status === OVERTAKEN
      ? html`<div class="trouble" role="alert"><p>${say("build.overtaken")}</p>
          <button type="button" disabled=${busy || !readable} onClick=${doing(saveOver)}>${say("build.save_over")}</button></div>`
      : html`<${Trouble} error=${error} />`}
    <p class="buttons">
      <button type="button" class="plain" disabled=${busy || !readable || !draft.unsaved} onClick=${doing(save)}>${say("build.save")}</button>
      <button type="button" class="plain" disabled=${busy || !readable} onClick=${doing(look)}>${say("build.review")}</button>
    </p>
    <div aria-live="polite">
      ${errors > 0 && readable === false && html`<p class="hint">${say("build.not_readable")}</p>`}
      ${errors > 0 && readable && html`<p class="hint">${say("build.has_errors", { n: errors })}</p>`}
      ${errors === 0 && open.length > 0 && html`<p class="hint">${say("build.has_warnings", { n: open.length })}</p>`}
      ${review === null && html`<p>${say("build.first_revision")}</p>`}
      ${review && html`<h4>${say("build.changes")}</h4>
        ${review.changes.length === 0 ? html`<p>${say("build.no_changes")}</p>` : html`<ul>${review.changes.map((words, at) => html`<li key=${at}>${words}</li>`)}</ul>`}
        <h4>${say("build.your_set")}</h4>
        <p>${say("build.impact", { was: review.before.filled, is: review.after.filled, was_places: review.before.places, is_places: review.after.places })}</p>
        ${review.impact.map((message, at) => html`<p key=${at}>${message}</p>`)}`}
    </div>
    ${review !== undefined && html`<p><button type="button" disabled=${busy || !fresh || errors > 0 || open.length > 0} onClick=${doing(publish)}>${say("build.publish")}</button></p>`}
    <p class="hint">${say("build.publish_hint")}</p>
  </section>`;
}
