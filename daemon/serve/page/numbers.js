// Reads numbers as people type them. Numbers that this page writes can be typed back. Ambiguous ones are refused.

const signs = Object.fromEntries(new Intl.NumberFormat(undefined, { minimumFractionDigits: 1, useGrouping: 'always' })
  .formatToParts(1234567.5).map(({ type, value }) => [type, value]));

const is_grouped = (whole, sign) => new RegExp(`^\\d{1,3}(\\${sign}\\d{3})+$`).test(whole);

/** The digits with a point, like "1234.567", or `{ why }` with the reason for refusing. */
export function read_number(typed) {
  const text = typed.trim().replace(/[\s\u00a0\u202f'’]/g, '');
  const no_number = { why: `“${typed}” is not a number. Enter the digits of the meter’s face, like ${example()}.` };
  if (!/^\d[\d.,]*$/.test(text) || /[.,]$/.test(text)) return no_number;
  const points = text.split('.').length - 1;
  const commas = text.split(',').length - 1;
  if (points + commas === 0) return { digits: text };
  if (points > 0 && commas > 0) return read_both(text, no_number);
  const sign = points > 0 ? '.' : ',';
  if (points + commas > 1) return is_grouped(text, sign) ? { digits: text.replaceAll(sign, '') } : no_number;
  const [whole, fraction] = text.split(sign);
  // The page itself writes it this way, or the sign cannot separate thousands.
  if (sign === signs.decimal || fraction.length !== 3 || whole.length > 3 || /^0/.test(whole)) return { digits: `${whole}.${fraction}` };
  return { why: `“${typed}” may mean two things: ${whole}${fraction}, or ${whole}${signs.decimal}${fraction}. Enter it one of these ways.` };
}

/** With both signs, the last one is the decimal sign and the other separates groups of three digits. */
function read_both(text, no_number) {
  const decimal = text.lastIndexOf('.') > text.lastIndexOf(',') ? '.' : ',';
  const [whole, fraction, more] = text.split(decimal);
  const grouping = decimal === '.' ? ',' : '.';
  return more === undefined && is_grouped(whole, grouping) ? { digits: `${whole.replaceAll(grouping, '')}.${fraction}` } : no_number;
}

const example = () => `1234${signs.decimal}567`;
