// Washes and money lost in the outages that each fault class began, for the rows of a ranking. One thread.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/region_losses.h"

namespace bayward {

class RankingLosses {
 public:
  // Reads the regions of the machines asked about anew, with what their demand is learned from.
  static absl::StatusOr<RankingLosses> Compute(const FiguresSources& sources, const FiguresQuestion& question,
                                               v1::Grouping grouping);

  // Sets the losses of one group's rows, and where `by` is one of them puts the rows in its order: ranks and
  // cumulative shares anew, rows without a loss last.
  void Fill(v1::RankBy by, std::vector<v1::RankingRow>& rows) const;

  // What a reader must be told beside them.
  const std::vector<std::string>& notes() const { return notes_; }

 private:
  ClassLosses losses_;
  std::vector<std::string> notes_;
};

}  // namespace bayward
