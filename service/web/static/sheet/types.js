// What the service answers, as its OpenAPI document says. Types alone; a check makes them from the committed document.

/**
 * @typedef {import("setwright-api").components["schemas"]["DefinitionDetails"]} Definition
 * @typedef {import("setwright-api").components["schemas"]["Evaluation"]} Evaluation
 * @typedef {import("setwright-api").components["schemas"]["AttributeOut"]} Attribute
 * @typedef {import("setwright-api").components["schemas"]["VocabularyOut"]} Vocabulary
 */
export {};
