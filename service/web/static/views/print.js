// What goes on paper: want list, labels, exhibition, inventory. The pages themselves are the service's.
import { all, get, send } from "../kept/api.js";
import { showPage } from "../kept/paper.js";
import { say } from "../kept/words.js";
import { useLoaded } from "../parts/data.js";
import { Field, Form } from "../parts/form.js";
import { html, useState } from "../parts/html.js";
import { Select } from "../parts/select.js";
import { Title } from "../parts/title.js";
import { Trouble } from "../parts/trouble.js";
import { NEW, PAPERS, WHATS, pagePathOf } from "../sheet/print.js";

/** @param {{asked: URLSearchParams}} of `what`, `set` and `ids`: what is chosen at first */
export function Print({ asked }) {
  const picked = (asked.get("ids") ?? "").split(",").filter((id) => id !== "");
  const [what, setWhat] = useState(WHATS.includes(asked.get("what") ?? "") ? asked.get("what") : picked.length > 0 ? "labels" : "want");
  const { value, error, again } = useLoaded(async () => {
    const [sets, coins] = await Promise.all([all("/v1/definitions"), get("/v1/holdings?limit=1")]);
    // The sheets come with any label: that of one coin, not of all.
    const labels = await get(`/v1/holdings/labels?ids=${picked[0] ?? coins.data.items[0]?.id ?? ""}`);
    return { sets, sheets: labels.data.sheets };
  }, []);
  return html`
    <${Title} text=${say("print.title")} />
    <p>${say("print.how")}</p>
    <fieldset class="filters"><legend>${say("print.what")}</legend>
      ${WHATS.map((one) => html`<label key=${one}><input type="radio" name="what" value=${one} checked=${what === one} onChange=${() => setWhat(one)} /> ${say(`print.${one}`)}</label>`)}
    </fieldset>
    <${Trouble} error=${error} again=${again} />
    ${value === null && error === null && html`<p role="status">${say("app.loading")}</p>`}
    ${value !== null && html`<${Chosen} key=${what} what=${what} sets=${value.sets} sheets=${value.sheets} picked=${picked} first=${asked.get("set") ?? ""} />`}`;
}

function Chosen({ what, sets, sheets, picked, first }) {
  const isOfSet = what === "want" || what === "exhibition";
  const [set, setSet] = useState(isOfSet && first === "" ? (sets[0]?.id ?? "") : first);
  const [exhibition, setExhibition] = useState(NEW);
  const [saved, setSaved] = useState(false);
  const { value: shown, again } = useLoaded(async () => (what === "exhibition" && set !== "" ? all(`/v1/definitions/${set}/exhibitions`) : []), [set]);
  if (isOfSet && sets.length === 0) return html`<p>${say("print.no_set")}</p>`;
  const submit = async (typed) => {
    setSaved(false);
    let kept = exhibition;
    if (what === "exhibition" && kept === NEW) {
      const made = await send("POST", `/v1/definitions/${set}/exhibitions`, { title: typed.title, on: new Date().toISOString().slice(0, 10) });
      kept = made.id;
      // Whoever comes back sees it chosen, and makes no second one.
      await again();
      setExhibition(kept);
    }
    const told = await showPage(pagePathOf(what, { ...typed, set, exhibition: kept, ids: picked.join(",") }), say(`print.${what}`));
    setSaved(told === "saved");
  };
  const named = sets.map(({ id, title }) => [id, title]);
  const whole = picked.length > 0 && what === "labels" ? say("print.picked", { n: picked.length }) : say("print.all");
  return html`<${Form} submit=${submit} label=${say("print.open")}>
    <${Select} name="set" label=${say("print.set")} value=${set} change=${setSet} options=${isOfSet ? named : [["", whole], ...named]} />
    ${what === "want" && html`<${Select} name="paper" label=${say("print.paper")} options=${PAPERS.map((paper) => [paper, say(`print.${paper}`)])} />`}
    ${what === "labels" && html`<${Select} name="sheet" label=${say("print.sheet")} options=${sheets.map(({ name, title }) => [name, title])} />
      <${Field} name="first" label=${say("print.first")} value="1" inputmode="numeric" hint=${say("print.first_hint")} />`}
    ${what === "exhibition" && html`<${Select} name="exhibition" label=${say("print.exhibited")} value=${exhibition} change=${setExhibition}
        options=${[[NEW, say("print.new_exhibition")], ...(shown ?? []).map(({ id, title, on }) => [id, `${title}, ${on}`])]} />
      ${exhibition === NEW && html`<${Field} name="title" label=${say("print.name")} />`}
      <p class="hint">${say("print.exhibition_hint")}</p>`}
    ${what === "inventory" && html`<p class="hint">${say("print.inventory_hint")}</p>`}
    ${saved && html`<p class="notice" role="status">${say("print.saved")}</p>`}
  </${Form}>`;
}

/** Where a page to print was: it was shown once. */
export function Printed() {
  return html`<${Title} text=${say("print.title")} />
    <p>${say("print.done")}</p>
    <p><a href="/app/print">${say("print.again")}</a></p>`;
}
