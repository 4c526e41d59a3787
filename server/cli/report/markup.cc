#include "server/cli/report/markup.h"

#include "server/cli/table.h"

namespace bayward::cli::report {

std::string Escaped(std::string_view words) {
  std::string out;
  for (const char c : Printable(words)) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

}  // namespace bayward::cli::report
