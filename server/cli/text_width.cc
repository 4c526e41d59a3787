#include <cstdint>

#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr char32_t kInvalid = 0xFFFFFFFF;

struct Decoded {
  char32_t code = kInvalid;
  std::size_t bytes = 1;
};

// The character at the start of non-empty text.
Decoded Decode(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const unsigned char lead = byte(0);
  if (lead < 0x80) return {lead, 1};
  const std::size_t length = lead >= 0xF0 && lead < 0xF5 ? 4 : lead >= 0xE0 ? 3 : lead >= 0xC2 ? 2 : 0;
  if (length == 0 || lead >= 0xF5 || text.size() < length) return {};
  char32_t code = lead & (0xFFU >> (length + 1));
  for (std::size_t i = 1; i < length; ++i) {
    if ((byte(i) & 0xC0) != 0x80) return {};
    code = (code << 6) | (byte(i) & 0x3FU);
  }
  constexpr char32_t kLeast[] = {0, 0, 0x80, 0x800, 0x10000};
  const bool surrogate = code >= 0xD800 && code <= 0xDFFF;
  if (code < kLeast[length] || code > 0x10FFFF || surrogate) return {};
  return {code, length};
}

struct Range {
  char32_t first;
  char32_t last;
};

// Combining marks, joiners and variation selectors.
constexpr Range kZeroWidth[] = {{0x0300, 0x036F}, {0x0483, 0x0489}, {0x0591, 0x05BD}, {0x064B, 0x065F},
                                {0x1AB0, 0x1AFF}, {0x1DC0, 0x1DFF}, {0x200B, 0x200F}, {0x2060, 0x2064},
                                {0x20D0, 0x20FF}, {0xFE00, 0xFE0F}, {0xFE20, 0xFE2F}, {0xFEFF, 0xFEFF}};
// Wide and full-width (UAX #11), emoji included.
constexpr Range kWide[] = {{0x1100, 0x115F},   {0x2E80, 0x303E},   {0x3041, 0x33FF},  {0x3400, 0x4DBF},
                           {0x4E00, 0x9FFF},   {0xA000, 0xA4CF},   {0xAC00, 0xD7A3},  {0xF900, 0xFAFF},
                           {0xFE30, 0xFE6F},   {0xFF00, 0xFF60},   {0xFFE0, 0xFFE6},  {0x1F300, 0x1F64F},
                           {0x1F680, 0x1F6FF}, {0x1F900, 0x1F9FF}, {0x20000, 0x3FFFD}};

template <std::size_t N>
bool IsIn(const Range (&ranges)[N], char32_t code) {
  for (const Range& range : ranges) {
    if (range.first <= code && code <= range.last) return true;
  }
  return false;
}

std::size_t WidthOf(char32_t code) {
  if (code == kInvalid) return 1;
  if (IsIn(kZeroWidth, code)) return 0;
  return IsIn(kWide, code) ? 2 : 1;
}

bool IsControl(char32_t code) { return code < 0x20 || (code >= 0x7F && code < 0xA0); }

}  // namespace

std::size_t DisplayWidth(std::string_view text) {
  std::size_t width = 0;
  while (!text.empty()) {
    const Decoded next = Decode(text);
    width += WidthOf(next.code);
    text.remove_prefix(next.bytes);
  }
  return width;
}

std::string Printable(std::string_view text) {
  std::string out;
  while (!text.empty()) {
    const Decoded next = Decode(text);
    if (next.code == kInvalid || IsControl(next.code)) {
      out += '?';
    } else {
      out.append(text.substr(0, next.bytes));
    }
    text.remove_prefix(next.bytes);
  }
  return out;
}

std::string CutToWidth(std::string_view text, std::size_t columns) {
  if (DisplayWidth(text) <= columns) return std::string(text);
  if (columns == 0) return "";
  std::string out;
  std::size_t width = 0;
  while (!text.empty()) {
    const Decoded next = Decode(text);
    if (width + WidthOf(next.code) > columns - 1) break;
    width += WidthOf(next.code);
    out.append(text.substr(0, next.bytes));
    text.remove_prefix(next.bytes);
  }
  return out + "…";
}

}  // namespace bayward::cli
