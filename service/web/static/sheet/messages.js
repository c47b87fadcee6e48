// Messages of the service in another language: its sentence for the code, with the same parts in it. Pure.

/**
 * @typedef {{message: string, code: string, parts: Record<string, any>}} Message
 * @typedef {object} Speech how a language says what is inside a sentence
 * @property {(parts: {number: string | null, title: string | null}) => string} coin
 * @property {(label: string) => string} quoted a place or a rule
 * @property {(fact: {attribute: string, label: string, look_at?: string}) => string} fact
 * @property {(more: number) => string} more the end of a list that is not written out
 * @property {(count: number) => string} number
 * @property {(count: number) => boolean} isOne whether a count takes the first word of two
 */

const PART = /\{(\w+)(?::([^}]*))?\}/g;

/**
 * A message in the words of a table of sentences (`GET /v1/messages`); its own text where the table does not have its code.
 * @param {Message} message @param {Map<string, string>} sentences @param {Speech} speech @returns {string}
 */
export function worded(message, sentences, speech) {
  const sentence = sentences.get(message.code);
  if (sentence === undefined) return message.message;
  const say = (part) => {
    if (part === null || typeof part !== "object") return typeof part === "number" ? speech.number(part) : String(part);
    if (part.code !== undefined) return worded(part, sentences, speech);
    if (part.more !== undefined) return speech.more(part.more);
    if (part.attribute !== undefined) return speech.fact(part);
    if (part.label !== undefined) return speech.quoted(part.label);
    return speech.coin(part);
  };
  return sentence.replace(PART, (_, name, how = "") => {
    const part = message.parts[name];
    if (Array.isArray(part)) return joined(part.map(say), how);
    if (!how.includes("|")) return say(part);
    const [one, other] = how.split("|");
    return `${speech.number(part)} ${speech.isOne(part) ? one : other}`;
  });
}

/** A list: with a sign between, or "a, b and c". @param {string[]} words @param {string} how */
function joined(words, how) {
  if (how === "," || how === ";") return words.join(`${how} `);
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} ${how} ${words[words.length - 1]}`;
}
