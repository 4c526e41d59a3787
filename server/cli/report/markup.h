// Words inside HTML and SVG. Pure: any thread may call.
#pragma once

#include <string>
#include <string_view>

namespace bayward::cli::report {

// Safe as text and inside quoted attributes; control characters and invalid UTF-8 become "?".
std::string Escaped(std::string_view words);

}  // namespace bayward::cli::report
