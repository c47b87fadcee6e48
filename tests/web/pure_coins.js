// What the pure modules of coins make of the cases of test_coins.py, each by its name.
import { likeThis, nextNumber } from "./sheet/coins.js";
import { draftOf, readDraft } from "./sheet/fact-draft.js";
import { conditionText, joined } from "./sheet/filter-text.js";
import { NOTHING_GIVEN, csvOf, withAnswer, withCell } from "./sheet/import.js";
import { attributesRead, firstFacts } from "./sheet/rule-attributes.js";
import { found, named, termsOf } from "./sheet/terms.js";

const told = (value) => (value === undefined ? "unreadable" : value);

export function results({ attributes, typed, facts, numbers, conditions, rules, rows, concepts, words, document }) {
  const terms = termsOf("denominations", concepts);
  const read = ({ attribute, way = "value", text = "", to = "", words: given = [], perhaps = [] }) => {
    const word = (one) => ({ text: one, id: null });
    const draft = { way, text, to, words: given.map(word), perhaps: perhaps.map(word), kept: undefined };
    const reading = readDraft(attributes[attribute], draft, { terms });
    return told(reading.wrong === "" ? reading.fact : `wrong: ${reading.wrong}`);
  };
  const known = new Set(Object.keys(attributes));
  return {
    typed: typed.map(read),
    facts: facts.map(([attribute, fact]) => told(readDraft(attributes[attribute], draftOf(attributes[attribute], fact, terms), { terms }).fact)),
    numbers: numbers.map(nextNumber),
    conditions: conditions.map(([attribute, relation, value]) => conditionText(attributes[attribute], false, relation, value)),
    rules: rules.map(([rule, condition]) => joined(rule, condition)),
    csv: csvOf(rows, ";"),
    named: words.map((word) => named(terms, word).terms.map(({ id }) => id)),
    found: words.map((word) => found(terms, word, { most: 3 }).map(({ id }) => id)),
    first: firstFacts({ counts: attributesRead([document], known), settle: [], known }),
    ahead: firstFacts({ counts: attributesRead([document], known), settle: ["grade"], deciding: new Map([["denomination", 0.5], ["magnetic", 3]]), known }),
    like: likeThis({ number: "A-09", status: "held", note: "mine", tags: [], facts: { denomination: "penny", grade: 20, weight_measured: 9.4 } }),
    mended: withCell(withCell(NOTHING_GIVEN, 3, 4, "1902", "19O2"), 3, 4, "19O2", "1902").cells,
    answered: withAnswer(withAnswer(NOTHING_GIVEN, "issuer", "X", "GB"), "issuer", "X", undefined).answers,
  };
}
