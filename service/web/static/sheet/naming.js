// Which sets name a list of terms, or one of its terms. Pure.

/** Whether one of the texts of a document is, or as a rule contains, what `test` looks for. @param {unknown} value @param {(text: string) => boolean} test */
function hasText(value, test) {
  if (typeof value === "string") return test(value);
  return typeof value === "object" && value !== null && Object.values(value).some((one) => hasText(one, test));
}

/** The titles of the sets that have the list for a fact or for places. @param {any[]} documents @param {string} name @returns {string[]} */
export function setsWithList(documents, name) {
  const has = ({ attributes = [], one_per: groups = [] }) =>
    attributes.some(({ vocabulary }) => vocabulary === name) || groups.some(({ keys }) => keys?.from === "vocabulary" && keys.name === name);
  return documents.filter(has).map(({ title }) => title);
}

/** The titles of the sets in which the term stands as a value, or between quotes in a rule. @param {any[]} documents @param {string} term @returns {string[]} */
export function setsWithTerm(documents, term) {
  const quoted = `'${term.replaceAll("'", "''")}'`;
  const names = ({ vocabularies: _, ...document }) => hasText(document, (text) => text === term || text.includes(quoted));
  return documents.filter(names).map(({ title }) => title);
}
