#include "server/cli/report/definitions.h"

namespace bayward::cli::report {

Definitions FigureDefinitions() {
  return {{
      {"Required time",
       "The hours in which a machine is to wash: its opening hours, less closures that were announced beforehand. "
       "Nothing outside it counts."},
      {"Up, degraded, down",
       "Words of IEC 60050-192. Up state: the machine can wash. Degraded state: it washes, but something is missing; "
       "this counts as up. Down state: a fault of the machine, a customer's vehicle or a person's act blocks it. A "
       "machine that is closed while broken stays down until the fault clears."},
      {"Withheld",
       "Externally disabled state in IEC 60050-192: only something from outside blocks (no mains, no water, frost), "
       "or people closed a machine that was not broken."},
      {"Unknown", "Required time in which nobody watched the machine. It is neither up nor down."},
      {"Outage and failure",
       "An outage is an unbroken stretch of faults that block the machine, with some down time in it. Outages of one "
       "machine that begin with the same fault, with no completed wash between them, are one failure: one jam "
       "cleared five times is not five failures. Only the machine's own faults make a failure."},
      {"Availability",
       "Up time / (up time + down time), degraded included in up: the mean availability of IEC 60050-192. Over "
       "several machines the hours are summed first; shares are never averaged. Withheld and unknown time stay out "
       "of it."},
      {"What unknown leaves open",
       "Availability if all unknown time had been down, and if all had been up. These two are bounds, not confidence "
       "limits."},
      {"What chance leaves open",
       "95 % interval of availability by drawing again from the weeks of one machine, or from the sites and the days "
       "of several, whichever is wider."},
      {"Target and what is left of it",
       "The target is the availability promised for the site. It allows down time of (1 - target) x required time of "
       "the whole period as planned now; what is left is that less the down time so far. A target is kept where "
       "availability lies above it whatever unknown time was, missed where it lies below it whatever unknown time "
       "was, and open in between."},
      {"Service availability",
       "Up time / (up time + down time + withheld time): what customers met, whoever caused it."},
      {"Availability with planned maintenance as down",
       "Up time / (up time + down time + time closed for upkeep + closures left out by agreement), the stricter "
       "reading of IEC 60050-192 and EN 13306."},
      {"Down time that a fault began, alone, present",
       "An outage is put down to its first-out fault, the one that began it; these hours sum to all down time. Alone "
       "are the hours in which only this fault blocked, the least it costs. Present are all down hours in which it "
       "was active, the most it costs."},
      {"Gain",
       "Availability computed again without a fault's spells, in percentage points more; and computed again without "
       "the whole outages it began. It looks back, gains of several faults do not add up, and it promises nothing: "
       "what ranks first was in part bad luck, so multiply by the factor for next time to foresee."},
      {"Mean up time between failures",
       "Up time / failures, an estimate of the mean operating time between failures of IEC 60050-192, on up time. "
       "The limits are chi-square limits; where failures come in clusters they are widened by how much weekly counts "
       "scatter. With no failure there is only a lower limit."},
      {"Failures by age",
       "The mean number of failures that a machine has had by an age, counted from the beginning of the period. A "
       "straight line means a steady rate; one that bends upwards means failures come faster."},
      {"Share not restored",
       "The share of outages still not over after so many hours of the clock, by the Kaplan-Meier method: outages "
       "that are still open count as lasting at least as long as was seen. Restoration ends when the last blocking "
       "fault clears."},
      {"Came back",
       "The same fault began an outage again within 72 hours of the clock after restoration, counted among outages "
       "that were watched for those 72 hours."},
      {"Worse than its kind",
       "A machine's failure rate is drawn towards that of its kind as far as its few failures may be chance. It is "
       "listed when it is likely above twice the kind's rate; at most one in ten on the list is expected not to be."},
      {"Trend",
       "Improving, steady, worsening or too few to say, judged once per calendar month on twelve months, returns of "
       "one failure left out, by the test of Lewis and Robinson; what machines of one kind and region share is taken "
       "out of a single machine's verdict."},
      {"Washes and money lost",
       "Gross: what would have started on the machine in its down and withheld hours at the demand seen in hours "
       "when all of the site worked. Net: what the whole site sold less than expected over the outage and 48 hours "
       "after, so that customers who used the other bay or came back are not counted as lost. Limits are predictive."},
      {"Full service", "Up time / (up + degraded + down time): all of the machine worked."},
      {"Alarm rates", "Announced alarms per person or route told, by the measures of IEC 62682 and ANSI/ISA-18.2."},
  }};
}

Notes ReportCautions() {
  return {{
      "Few outages say little. Where there are fewer than five, do not compare by them; look at the limits, not at "
      "the figure.",
      "A machine or site is not worse than another because its figure is lower: see whether the limits overlap.",
      "Closures announced beforehand are left out of required time by agreement with the owner. IEC 60050-192 and EN "
      "13306 count planned maintenance as down time; the figure with it as down stands in the section on closures.",
      "What unknown time leaves open are bounds, not confidence limits: nothing is said about where in between the "
      "truth lies.",
      "Figures of a period that is not over, or of which data is still missing, may change.",
      "Lost washes and money are estimates from demand, not from a count of customers who left.",
      "The sections on slower washes, silent machines, days ahead and losses at this moment describe the moment the "
      "report was made, not its period.",
      "A fault that came first in time is not thereby the cause. The report states what was seen and draws no blame.",
      "Nothing here says that it is safe to act. Bayward only watches. A machine may start without warning and hold "
      "voltage, pressure and chemicals when it stands still: the machine's manual, local rules and licensed trades "
      "come first.",
  }};
}

}  // namespace bayward::cli::report
