// What the owner notes of a coin beside its facts: what the fields are called.
import { say } from "../kept/words.js";

/** @param {string} name a field, such as number or bought_on */
export const ownName = (name) => say(`own.${name}`);
