package fhirjson

// modifierElements are the elements that ElementDefinition.isModifier marks in the StructureDefinitions of R4 4.0.1
// (npm hl7.fhir.r4.examples, all resources and data types; modifierExtension and implicitRules, which every resource
// has, are left out). The names are those of the protos: nested elements have a capital.
var modifierElements = map[string]bool{
	"Account.status": true, "ActivityDefinition.doNotPerform": true, "ActivityDefinition.status": true,
	"Address.use": true, "AdverseEvent.actuality": true, "Age.comparator": true,
	"AllergyIntolerance.clinicalStatus": true, "AllergyIntolerance.verificationStatus": true,
	"Appointment.status": true, "AppointmentResponse.participantStatus": true, "Basic.code": true,
	"BodyStructure.active": true, "CapabilityStatement.status": true,
	"CarePlan.Activity.Detail.doNotPerform": true, "CarePlan.Activity.Detail.status": true,
	"CarePlan.intent": true, "CarePlan.status": true, "CareTeam.status": true, "ChargeItem.status": true,
	"ChargeItemDefinition.status": true, "Claim.status": true, "ClaimResponse.status": true,
	"ClinicalImpression.status": true, "CodeSystem.status": true, "Communication.status": true,
	"CommunicationRequest.doNotPerform": true, "CommunicationRequest.status": true,
	"CompartmentDefinition.status": true, "Composition.status": true,
	"ConceptMap.Group.Element.Target.equivalence": true, "ConceptMap.status": true,
	"Condition.clinicalStatus": true, "Condition.verificationStatus": true, "Consent.scope": true,
	"Consent.status": true, "ContactPoint.use": true, "Contract.Term.Action.doNotPerform": true,
	"Contract.status": true, "Count.comparator": true, "Coverage.status": true,
	"CoverageEligibilityRequest.status": true, "CoverageEligibilityResponse.status": true,
	"DetectedIssue.status": true, "Device.status": true, "DeviceRequest.intent": true,
	"DeviceRequest.status": true, "DeviceUseStatement.status": true, "DiagnosticReport.status": true,
	"Distance.comparator": true, "DocumentManifest.status": true, "DocumentReference.status": true,
	"Duration.comparator": true, "EffectEvidenceSynthesis.status": true, "Encounter.status": true,
	"Endpoint.status": true, "EnrollmentRequest.status": true, "EnrollmentResponse.status": true,
	"EpisodeOfCare.status": true, "EventDefinition.status": true, "Evidence.status": true,
	"EvidenceVariable.status": true, "ExampleScenario.status": true, "ExplanationOfBenefit.status": true,
	"FamilyMemberHistory.status": true, "Flag.status": true, "Goal.lifecycleStatus": true,
	"GraphDefinition.status": true, "GuidanceResponse.status": true, "HealthcareService.active": true,
	"HumanName.use": true, "Identifier.use": true, "ImagingStudy.status": true, "Immunization.isSubpotent": true,
	"Immunization.status": true, "ImmunizationEvaluation.status": true,
	"ImmunizationRecommendation.Recommendation.forecastStatus": true, "ImplementationGuide.status": true,
	"InsurancePlan.status": true, "Invoice.status": true, "Library.status": true, "List.Entry.deleted": true,
	"List.mode": true, "List.status": true, "Location.status": true, "Measure.status": true,
	"MeasureReport.improvementNotation": true, "MeasureReport.status": true, "Media.status": true,
	"Medication.status": true, "MedicationAdministration.status": true, "MedicationDispense.status": true,
	"MedicationKnowledge.status": true, "MedicationRequest.doNotPerform": true, "MedicationRequest.intent": true,
	"MedicationRequest.status": true, "MedicationStatement.status": true,
	"MedicinalProductIngredient.SpecifiedSubstance.Strength.concentrationLowLimit": true,
	"MedicinalProductIngredient.SpecifiedSubstance.Strength.presentationLowLimit":  true,
	"MessageDefinition.status": true, "NamingSystem.status": true, "NutritionOrder.intent": true,
	"NutritionOrder.status": true, "Observation.status": true, "OperationDefinition.status": true,
	"Organization.active": true, "Patient.active": true, "Patient.deceased": true, "Patient.link": true,
	"PaymentNotice.status": true, "PaymentReconciliation.status": true, "Person.active": true,
	"PlanDefinition.status": true, "Procedure.status": true, "Quantity.comparator": true,
	"Questionnaire.Item.enableWhen": true, "Questionnaire.status": true, "QuestionnaireResponse.status": true,
	"RelatedPerson.active": true, "RequestGroup.intent": true, "RequestGroup.status": true,
	"ResearchDefinition.status": true, "ResearchElementDefinition.status": true, "ResearchStudy.status": true,
	"ResearchSubject.status": true, "RiskEvidenceSynthesis.status": true, "Schedule.active": true,
	"SearchParameter.status": true, "ServiceRequest.doNotPerform": true, "ServiceRequest.intent": true,
	"ServiceRequest.status": true, "Specimen.status": true, "StructureDefinition.status": true,
	"StructureMap.status": true, "Subscription.status": true, "Substance.status": true,
	"SupplyDelivery.status": true, "SupplyRequest.status": true, "Task.status": true,
	"TerminologyCapabilities.status": true, "TestReport.status": true, "TestScript.status": true,
	"ValueSet.status": true, "VisionPrescription.status": true,
}

// longestCode is longer than any code of the sets below.
const longestCode = 40

// codedNames are the names of elements with a required binding in the resource types that we read, as far as their
// codes are lower case. A capital in such an element makes the mending pass look at it, which decides by type.
var codedNames = map[string]bool{
	"comparator": true, "daysOfWeek": true, "dayOfWeek": true, "direction": true, "docStatus": true,
	"entryType": true, "gender": true, "intent": true, "mode": true, "priority": true, "severity": true,
	"status": true, "system": true, "type": true, "use": true,
}

// negations are elements of other versions or standards that say that something did not happen. R4 says it with a
// status. Leaving one out would turn the statement round.
var negations = map[string]bool{
	"notDone": true, "notGiven": true, "notTaken": true, "wasNotGiven": true, "wasNotTaken": true,
	"doNotPerform": true, "negated": true, "negationInd": true, "prohibited": true, "refuted": true,
	"taken": true,
}

// laterElements are elements that came with R5 (from memory of its element lists, in part seen in the R5 protos of
// google/fhir). The table only changes the wording and severity of a finding.
var laterElements = map[string]bool{
	"Attachment.duration": true, "Attachment.frames": true, "Attachment.height": true, "Attachment.pages": true,
	"Attachment.width": true, "BodyStructure.excludedStructure": true, "BodyStructure.includedStructure": true,
	"Composition.name": true, "Composition.note": true, "Composition.url": true, "Composition.useContext": true,
	"Composition.version": true, "DetectedIssue.category": true, "DetectedIssue.subject": true,
	"Device.additive": true, "Device.availabilityStatus": true, "Device.biologicalSource": true,
	"Device.biologicalSourceEvent": true, "Device.category": true, "Device.conformsTo": true,
	"Device.cycle": true, "Device.deviceVersion": true, "Device.displayName": true, "Device.duration": true,
	"Device.endpoint": true, "Device.gateway": true, "Device.mode": true, "Device.name": true,
	"Device.property": true, "DiagnosticReport.composition": true, "DiagnosticReport.note": true,
	"DiagnosticReport.procedure": true, "DiagnosticReport.supportingInfo": true,
	"DocumentReference.attester": true, "DocumentReference.basedOn": true, "DocumentReference.bodySite": true,
	"DocumentReference.event": true, "DocumentReference.facilityType": true, "DocumentReference.modality": true,
	"DocumentReference.period": true, "DocumentReference.practiceSetting": true,
	"DocumentReference.version": true, "Encounter.actualPeriod": true, "Encounter.admission": true,
	"Encounter.careTeam": true, "Encounter.plannedEndDate": true, "Encounter.plannedStartDate": true,
	"Encounter.reason": true, "Encounter.specialArrangement": true, "Encounter.subjectStatus": true,
	"Encounter.virtualService": true, "Observation.bodyStructure": true, "Observation.instantiates": true,
	"Observation.triggeredBy": true, "Organization.description": true, "Organization.qualification": true,
	"Practitioner.deceased": true, "Procedure.focus": true, "Procedure.occurrence": true,
	"Procedure.reason": true, "Procedure.recorded": true, "Procedure.reported": true, "Procedure.used": true,
	"Provenance.authorization": true, "Provenance.basedOn": true, "Provenance.encounter": true,
	"Provenance.patient": true, "Provenance.why": true, "ServiceRequest.bodyStructure": true,
	"ServiceRequest.focus": true, "ServiceRequest.reason": true,
}
